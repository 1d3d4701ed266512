"""Text tables of what the book says."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

Line = dict[str, Any]


def table(head: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> str:
    """Columns of text under their heads, two spaces apart."""
    wide = [max(len(h), max((len(r[i]) for r in rows), default=0)) for i, h in enumerate(head)]
    form = "  ".join(f"{{:{'>' if i in right else '<'}{w}}}" for i, w in enumerate(wide)).format
    return "".join(f"{form(*row).rstrip()}\n" for row in (head, *rows))


def cells_table(cells: Sequence[Sequence[str]]) -> str:
    """Positions as they stand, as a table; a boat's name once."""
    from anodewane.book.listing import HEAD

    return table(HEAD, cells)


def haul_out_table(lines: Sequence[Line]) -> str:
    """What was found at one haul-out, as a table."""
    rows, last = [], None
    for line in lines:
        boat = line["boat"] if line["boat"] != last else ""
        last = line["boat"]
        own = line["overruled"]["verdict"] if line["overruled"] else ""
        weighed = f"{line['weighed_g']:.0f} g" if line["weighed_g"] is not None else ""
        rows.append(
            (
                boat,
                line["position"],
                line["kind"],
                _photo(line),
                own,
                percent_cell(line["consumed_pct"]),
                weighed,
                line["template"] or "",
                " ".join(line["reasons"]),
            )
        )
    return table(
        ("boat", "position", "photo of", "verdict", "overruled", "% gone", "weighed", "part", "reasons"), rows
    )


def _photo(line: Line) -> str:
    from anodewane.book.listing import UNJUDGED

    return line["photo_verdict"] or UNJUDGED.get(line["status"], "")


def percent_cell(i: dict[str, float] | None) -> str:
    from anodewane.book.listing import percent_words

    return percent_words(i)


def history_text(entries: dict[str, Any]) -> str:
    """Everything that the book holds of a boat, a table a kind; what there is none of is left out."""
    b = entries["boat"]
    head = f"{b['name']}, {b['water'] or 'unknown'} water{', ' + b['note'] if b['note'] else ''}\n"
    hauled = [(h["hauled_on"], h["launched_on"] or "ashore") for h in entries["haul_outs"]]
    tables = [
        "Out of the water\n" + table(("hauled", "launched"), hauled),
        _parts_table(entries["fittings"]),
        _judgements_table(entries["judgements"]),
    ]
    if entries["weighings"]:
        rows = [
            (
                w["position"],
                w["hauled_on"],
                f"{w['mass_g']:.0f} g",
                w["by"] or "",
                f"withdrawn: {w['withdrawn']}" if w["withdrawn"] else w["note"] or "",
            )
            for w in entries["weighings"]
        ]
        tables.append("Weighings\n" + table(("position", "hauled", "left", "by", "note"), rows))
    if entries["overrules"]:
        rows = [
            (o["position"], o["hauled_on"], o["verdict"] or "taken back", o["by"], o["why"])
            for o in entries["overrules"]
        ]
        tables.append("Overruled\n" + table(("position", "hauled", "verdict", "by", "why"), rows))
    if entries["accepts"]:
        rows = [
            (str(a["judgement"]), a["position"], a["hauled_on"], a["by"], a["at"][:16])
            for a in entries["accepts"]
        ]
        columns = ("judgement", "position", "hauled", "by", "at (UTC)")
        tables.append("Accepted\n" + table(columns, rows, right=(0,)))
    return "\n".join([head, *tables])


def _parts_table(fittings: Sequence[Line]) -> str:
    rows = [
        (
            f["position"],
            f["template"],
            f["alloy"],
            f["fitted_on"],
            f["removed_on"] or "",
            f"{f['new_mass_g']:.0f} g" if f["new_mass_g"] else "",
        )
        for f in fittings
    ]
    return "Parts\n" + table(("position", "template", "alloy", "fitted", "removed", "new"), rows)


def _judgements_table(judgements: Sequence[Line]) -> str:
    rows = []
    for j in judgements:
        r = j["reading"]
        state = "counts" if j["counts"] else "a later one counts"
        rows.append(
            (
                str(j["id"]),
                r["position"],
                r["hauled_on"],
                r["kind"],
                r["verdict"] or "cannot judge",
                percent_cell(r["consumed_pct"]),
                j["photo_name"],
                j["judged_at"][:16],
                j["judged_by"] or "",
                f"withdrawn: {j['withdrawn']}" if j["withdrawn"] else state,
            )
        )
    columns = (
        "number",
        "position",
        "hauled",
        "photo of",
        "verdict",
        "% gone",
        "photo",
        "judged (UTC)",
        "by",
        "",
    )
    return "Judgements\n" + table(columns, rows, right=(0,))


def order_text(orders: Any) -> str:
    from anodewane.book.orders import WORDS

    out = []
    if orders.lines:
        counts = [(str(c.count), c.what, c.alloy or "") for c in (*orders.parts, *orders.fixings)]
        out.append(table(("buy", "what", "alloy"), counts, right=(0,)))
        rows: list[tuple[str, ...]] = [
            (o.boat, o.position, o.template, "; ".join(WORDS[w] for w in o.why), o.fixings or "not on record")
            for o in orders.lines
        ]
        out.append("\n" + table(("boat", "position", "part", "why", "fixings"), rows))
    else:
        out.append("Nothing can be ordered yet.\n" if orders.unsettled else "Nothing to buy.\n")
    if orders.unsettled:
        rows = [(u.boat, u.position, u.template or "unknown", WORDS[u.why]) for u in orders.unsettled]
        out.append(
            "\nLook at these first; nothing is ordered for them.\n"
            + table(("boat", "position", "part", "why"), rows)
        )
    return "".join(out)
