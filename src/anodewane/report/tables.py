"""A record's figures as rows of a table: what was measured, by what, and the hashes of what it rests on.
Figures are rounded here and by the drawings, nowhere else.
"""

from __future__ import annotations

from anodewane.record import Interval, Verdict
from anodewane.report.model import SHORT, PartInput, Rows
from anodewane.report.texts import Catalogue, clean, shortened
from anodewane.settings import Settings
from anodewane.show.words import no_wear


def moment_text(moment: str) -> str:
    return clean(shortened(moment.replace("T", " "), 40))


def interval_figures(interval: Interval, say: Catalogue, digits: int = 0) -> dict[str, str]:
    return {
        "value": say.number(interval.value, digits),
        "low": say.number(interval.low, digits),
        "high": say.number(interval.high, digits),
    }


def consumed_text(v: Verdict, say: Catalogue) -> str:
    """The metal gone with its interval, "no measurable wear" where the record says so: a share below
    nothing would say more than is known."""
    if v.consumed is None:
        return say.say("cover.no_figure")
    return say.say(
        "cover.no_wear" if no_wear(v) else "cover.consumed", **interval_figures(v.consumed.mass_pct, say)
    )


def measured_rows(v: Verdict, say: Catalogue) -> Rows:
    """What was measured."""
    n = say.number
    unknown = say.say("figure.unknown")
    rows: list[tuple[str, str]] = []

    def row(key: str, text: str) -> None:
        rows.append((say.say(f"figure.{key}"), text))

    if v.consumed is not None:
        row("consumed_mass", say.say("figure.interval", **interval_figures(v.consumed.mass_pct, say, 1)))
        row("consumed_area", say.say("figure.interval", **interval_figures(v.consumed.area_pct, say, 1)))
    if v.mass is not None:
        row(
            "mass",
            say.say(
                "figure.mass_value",
                **interval_figures(v.mass.remaining_g, say),
                new=n(v.mass.new_g),
                method=say.say(f"method_of_mass.{v.mass.method}"),
            ),
        )
    if v.together is not None:
        row(
            "together",
            say.say(
                "figure.together_value",
                n=len(v.views),
                **interval_figures(v.together.mass_before_pct, say, 1),
            ),
        )
    if v.area is not None:
        row("area", say.say("figure.area_value", value=n(v.area.remaining_mm2), new=n(v.area.new_mm2)))
    if v.recession_mm is not None:
        r = v.recession_mm
        row(
            "recession",
            say.say("figure.recession_value", mean=n(r.mean, 1), p95=n(r.p95, 1), max=n(r.max, 1)),
        )
    if v.remaining_thickness_mm is not None:
        new = n(v.template.thickness_mm, 1) if v.template else unknown
        row(
            "thickness",
            say.say("figure.thickness_value", **interval_figures(v.remaining_thickness_mm, say, 1), new=new),
        )
    for hole in v.holes:
        washer = (
            say.say("figure.washer_unknown")
            if hole.washer_mm is None
            else say.say("figure.washer_mm", mm=n(hole.washer_mm, 1))
        )
        state = say.say(f"hole_state.{hole.state}")
        label = say.say("figure.hole", n=hole.index + 1)
        if hole.diameter_mm is None:
            rows.append(
                (label, say.say("figure.hole_unseen", new=n(hole.new_mm, 1), washer=washer, state=state))
            )
        else:
            rows.append(
                (
                    label,
                    say.say(
                        "figure.hole_value",
                        diameter=n(hole.diameter_mm, 1),
                        new=n(hole.new_mm, 1),
                        washer=washer,
                        state=state,
                    ),
                )
            )
    if v.pieces_lost is not None:
        row("pieces", str(v.pieces_lost))
    return tuple(rows)


BASES = {Settings().basis: "basis.usual", "set on the command line": "basis.command_line"}
"""Words for a limit's basis that the tool writes itself, and so can be translated."""


def basis_rows(v: Verdict, say: Catalogue) -> Rows:
    """By what it was measured."""
    n = say.number
    unknown = say.say("figure.unknown")
    rows: list[tuple[str, str]] = []

    def row(key: str, text: str) -> None:
        rows.append((say.say(f"figure.{key}"), text))

    basis = say.say(BASES[v.limits.basis]) if v.limits.basis in BASES else clean(v.limits.basis)
    row(
        "limit",
        say.say(
            "figure.limit_value",
            limit=n(v.limits.limit_pct, 1),
            monitor=n(v.limits.monitor_from_pct, 1),
            basis=basis,
        ),
    )
    if v.template is not None:
        t = v.template
        row(
            "template",
            say.say(
                "figure.template_value",
                name=clean(t.name),
                alloy=say.say(f"alloy.{t.alloy}"),
                mount=say.say(f"mount.{t.mount}"),
                thickness=n(t.thickness_mm, 1),
                how=say.say(f"template_how.{'chosen' if t.chosen else 'named'}"),
            ),
        )
    if v.scale is not None:
        s = v.scale
        x, y = (n(mm, 1) for mm in s.check_line_mm)
        row(
            "sheet",
            say.say(
                "figure.sheet_value",
                layout=clean(s.layout),
                distance=n(s.distance_mm),
                tilt=n(s.tilt_deg, 1),
                sd=n(s.sd_pct, 2),
                x=x,
                y=y,
            ),
        )
    made = v.provenance
    if made.manual is not None:
        row(
            "outline_by",
            say.say(
                "figure.outline_manual",
                by=clean(made.manual.by) if made.manual.by else unknown,
                when=clean(made.manual.when) if made.manual.when else unknown,
            ),
        )
    elif made.segmenter is not None:
        row("outline_by", say.say("figure.outline_segmenter", name=clean(shortened(made.segmenter, 60))))
    taken = moment_text(v.photo.taken) if v.photo.taken else unknown
    row(
        "photo_file",
        say.say(
            "figure.photo_value",
            name=clean(v.photo.name),
            width=v.photo.width_px,
            height=v.photo.height_px,
            taken=taken,
        ),
    )
    return tuple(rows)


def hash_rows(part: PartInput, say: Catalogue) -> Rows:
    v = part.verdict
    rows = [
        (say.say("hashes.record"), part.record_sha256),
        (say.say("hashes.photo"), clean(shortened(v.photo.sha256, 80))),
    ]
    others = [view for view in v.views if view.sha256 != v.photo.sha256]
    rows += [
        (
            say.say("hashes.other_photo", name=shortened(clean(view.name), SHORT)),
            clean(shortened(view.sha256, 80)),
        )
        for view in others
    ]
    if v.template is not None:
        rows.append((say.say("hashes.template"), clean(shortened(v.template.sha256, 80))))
    made = v.provenance
    rows.append(
        (
            say.say("hashes.model"),
            clean(shortened(made.model_sha256, 80)) if made.model_sha256 else say.say("hashes.none"),
        )
    )
    if made.manual is not None:
        rows.append((say.say("hashes.handed"), clean(shortened(made.manual.sha256, 80))))
    rows.append((say.say("hashes.settings"), clean(shortened(made.settings_digest, 80))))
    libraries = ", ".join(
        f"{clean(shortened(k, 40))} {clean(shortened(str(w), 40))}" for k, w in sorted(made.libraries.items())
    )
    rows.append(
        (
            say.say("hashes.made_with"),
            f"anodewane {clean(shortened(made.anodewane, 30))}" + (f", {libraries}" if libraries else ""),
        )
    )
    return tuple(rows)
