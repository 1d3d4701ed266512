"""``anodewane evidence``: the bag that proves a report; packed, checked, judged again,
time-stamped and signed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anodewane.cli._judging import AS_JSON
from anodewane.cli._reporting import PATH, REPORTING, sources_and_choices
from anodewane.cli._stdout import Telling
from anodewane.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from anodewane.evidence.check import CheckResult
    from anodewane.evidence.recheck import RecheckResult
    from anodewane.evidence.remake import RemakeResult

BAG = click.argument("bag", metavar="BAG", type=PATH)
SIGNERS = click.option(
    "--signers",
    metavar="FILE",
    type=PATH,
    help="Whose signatures are believed: OpenSSH's allowed signers, lines of a name and a public key.",
)
ROOTS = click.option(
    "--root",
    "roots",
    metavar="FILE.pem",
    type=PATH,
    help="Root certificate of the time-stamping service, from the service itself.",
)


@click.group(short_help="Pack and check the evidence behind a report.")
def evidence() -> None:
    """Pack the evidence behind a report into a bag (BagIt, RFC 8493), and check such a bag.

    Originals stay as they are. A bag is packed once; time-stamp and signature are added beside it
    without changing what they prove.
    """


@evidence.command(short_help="Pack a bag.")
@REPORTING
@click.option(
    "--out",
    "bag",
    metavar="BAG",
    required=True,
    type=PATH,
    help="Folder to pack into; it must not be there yet.",
)
@click.option(
    "--handed",
    "handed_files",
    metavar="FILE",
    multiple=True,
    type=PATH,
    help="Mask or outline that was handed in with 'judge'. May be repeated.",
)
@click.option(
    "--strip-location",
    is_flag=True,
    help="Pack copies of the photos without place and device, pixels untouched, in place of the originals.",
)
@AS_JSON
def pack(
    bag: Path,
    handed_files: tuple[Path, ...],
    strip_location: bool,
    as_json: bool,
    **asked: Any,
) -> None:
    """Pack originals, records, overlays, report, settings, templates and the model's hash into a bag.

    Says plainly when originals carry the place where they were taken, and the bag's seal: the SHA-256
    that stands for all of it. Keep the seal elsewhere: 'evidence check --seal' holds the bag against it.
    """
    with Telling(as_json).answering() as told:
        from anodewane.evidence.pack import pack as pack_bag
        from anodewane.report.request import assemble

        sources, choices = sources_and_choices(**asked)
        made = assemble(sources, choices)
        packed = pack_bag(made, bag, _setters(), handed_files=handed_files, strip_location=strip_location)
        look_at = list(made.report.attention) if made.report.looks_wrong else []
        for line in (*packed.said, *(f"Look at: {a}" for a in look_at)):
            told.line(line)
        told.line(f"Packed {len(made.parts)} positions into '{bag}'. Its seal: {packed.seal}")
        told.record(
            {
                "bag": str(bag),
                "seal": packed.seal,
                "files": packed.files,
                "positions": len(made.parts),
                "stripped": packed.stripped,
                "carry_location": [] if packed.stripped else list(packed.located),
                "carry_device": [] if packed.stripped else list(packed.device),
                "said": list(packed.said),
                "look_at": look_at,
            }
        )


@evidence.command(short_help="Check a bag: every file that is changed, missing or extra is named.")
@BAG
@click.option("--seal", metavar="HEX", help="The seal that 'evidence pack' told: the bag must have it still.")
@SIGNERS
@ROOTS
@AS_JSON
@click.pass_context
def check(
    ctx: click.Context, bag: Path, seal: str | None, signers: Path | None, roots: Path | None, as_json: bool
) -> None:
    """Check a bag: its files against its manifests, its records against its originals, settings and
    templates, its overlays and report against what its records give, its seal, its signatures and its
    time-stamp.

    The exit code is 0 when all of it holds, else 8. Nothing in the bag is followed or run. Without
    --seal, --signers or --root nobody vouches for the bag: whoever changed it could have made its
    manifests anew.
    """
    with Telling(as_json).answering() as told:
        from anodewane.evidence.check import check as check_bag

        checked = check_bag(bag)
        proofs = _Proofs(bag, checked.seal, seal, signers, roots)
        proofs.tell(told)
        _tell(told, checked, proofs.vouched)
        made = _remade(told, bag, checked)
        whole = not checked.faults and proofs.hold and not _exchanged(made)
        told.record({**_plain(checked), **proofs.plain(), "made_again": _plain_remade(made), "whole": whole})
    ctx.exit(int(ExitCode.JUDGED if whole else ExitCode.EVIDENCE_DIFFERS))


@evidence.command(short_help="Judge a bag's originals again and tell the differences.")
@BAG
@AS_JSON
@click.pass_context
def recheck(ctx: click.Context, bag: Path, as_json: bool) -> None:
    """Judge a bag's originals again, with the bag's own settings, templates and outlines, and say what
    differs: verdict, figures in percentage points, versions, model.

    A bag that isn't whole isn't judged. The exit code is 0 when everything comes out as it was, else 8.
    """
    with Telling(as_json).answering() as told:
        from dataclasses import asdict

        from anodewane.evidence.check import check as check_bag
        from anodewane.evidence.recheck import recheck as judge_again

        checked = check_bag(bag)
        _tell(told, checked, None)
        if checked.faults:
            told.line("So judging it again would prove nothing.")
            told.record({**_plain(checked), "whole": False, "parts": None})
            ctx.exit(int(ExitCode.EVIDENCE_DIFFERS))
        made = _remade(told, bag, checked)
        again = judge_again(bag, checked.parts)
        for a in again:
            told.line(_again_words(a))
        whole = not _exchanged(made)
        told.record(
            {
                **_plain(checked),
                "made_again": _plain_remade(made),
                "whole": whole,
                "parts": [asdict(a) for a in again],
            }
        )
    same = whole and all(a.same for a in again)
    ctx.exit(int(ExitCode.JUDGED if same else ExitCode.EVIDENCE_DIFFERS))


@evidence.command(short_help="Add a time-stamp (RFC 3161).")
@BAG
@click.option(
    "--request",
    "request",
    is_flag=True,
    help="Write the request into the bag, to be sent to a time-stamping service.",
)
@click.option(
    "--response",
    "response",
    metavar="FILE.tsr",
    type=PATH,
    help="The service's response: verified and put into the bag.",
)
@ROOTS
@AS_JSON
def stamp(bag: Path, request: bool, response: Path | None, roots: Path | None, as_json: bool) -> None:
    """Add a time-stamp: proof that the bag was as it is at that time.

    First --request; send the file to a service of your choice; then --response. Nothing is sent from here.
    """
    if request == (response is not None):
        raise UsageError(
            "Neither or both of --request and --response were given.",
            "Give --request first, and --response when the service has answered.",
        )
    with Telling(as_json).answering() as told:
        from dataclasses import asdict

        from anodewane.evidence.stamp import add_response, write_request

        _whole(bag)
        if response is None:
            file = write_request(bag)
            told.line(
                f"Send '{file}' to a time-stamping service (media type application/timestamp-query), "
                "then give its answer with --response."
            )
            told.record({"request": str(file)})
        else:
            added = add_response(bag, response, roots)
            told.line(f"Time-stamped {added.time}.")
            told.record({"stamp": asdict(added)})


@evidence.command(short_help="Sign a bag with an OpenSSH key.")
@BAG
@click.option(
    "--key",
    metavar="FILE",
    required=True,
    type=PATH,
    help="Private key, or its public half when an agent holds it.",
)
@AS_JSON
def sign(bag: Path, key: Path, as_json: bool) -> None:
    """Sign a bag with an OpenSSH key, by ssh-keygen: proof of who packed or saw it. Whoever checks it
    needs your public key. Several may sign; each key has a signature of its own."""
    with Telling(as_json).answering() as told:
        from dataclasses import asdict

        from anodewane.evidence.signature import sign as sign_bag

        _whole(bag)
        signature = sign_bag(bag, key)
        told.line(f"Signed with {signature.key}.")
        told.record({"signature": asdict(signature)})


def _setters() -> dict[str, Any]:
    """How a bag's report is set."""
    from anodewane.report.html import report_html
    from anodewane.report.pdf import report_pdf

    return {"report.pdf": report_pdf, "report.html": report_html}


def _whole(bag: Path) -> None:
    """A bag that isn't whole is neither stamped nor signed."""
    from anodewane.evidence.check import check as check_bag

    faults = check_bag(bag).faults
    if faults:
        raise UsageError(
            f"The bag doesn't agree with itself: {faults[0].file or bag.name}: {faults[0].text}",
            "Pack it again: a proof over a changed bag proves the change.",
        )


class _Proofs:
    """Seal, signatures and time-stamp of a bag, and whether those that are there or asked for hold."""

    def __init__(
        self, bag: Path, found: str | None, seal: str | None, signers: Path | None, roots: Path | None
    ) -> None:
        from anodewane.evidence.signature import check_signatures
        from anodewane.evidence.stamp import check_stamp

        self._signers, self._roots = signers, roots
        self.seal_holds = None if seal is None else seal.strip().lower() == found
        self.signatures = check_signatures(bag, signers)
        self.stamp = check_stamp(bag, roots)
        believed = [s.signer for s in self.signatures if s.holds and s.signer is not None]
        stamped = self.stamp is not None and self.stamp.holds and self.stamp.trusted is True
        self.hold = (
            self.seal_holds is not False
            and all(s.holds for s in self.signatures)
            and (signers is None or bool(believed))
            and (self.stamp is None or (self.stamp.holds and self.stamp.trusted is not False))
            and (roots is None or stamped)
        )
        self.vouched: str | None = None
        """How the bag is known to be as it was; None where nobody vouches for it."""
        if self.hold and self.seal_holds:
            self.vouched = "as it was packed, by the seal given"
        elif self.hold and believed:
            self.vouched = f"as it was when signed by {' and '.join(believed)}"
        elif self.hold and stamped and self.stamp is not None:
            self.vouched = f"as it was when stamped, {self.stamp.time}"

    def tell(self, told: Telling) -> None:
        if self.seal_holds is False:
            told.line("The seal is another than the one given: this isn't the bag that was packed.")
        if not self.signatures and self._signers is not None:
            told.line("The bag isn't signed.")
        for s in self.signatures:
            if not s.holds or (self._signers is not None and s.signer is None):
                told.line(f"The signature doesn't hold: {s.why}.")
            else:
                told.line(
                    f"Signed by {s.signer or 'a key that nobody vouched for (give --signers)'}: {s.key}."
                )
        stamp = self.stamp
        if stamp is None:
            if self._roots is not None:
                told.line("The bag has no time-stamp.")
        elif not stamp.holds or stamp.trusted is False:
            told.line(f"The time-stamp doesn't hold: {stamp.why}.")
        else:
            by = "" if stamp.trusted else ", by a service that nobody vouched for (give --root)"
            told.line(f"Time-stamped {stamp.time}{by}.")

    def plain(self) -> dict[str, Any]:
        from dataclasses import asdict

        return {
            "seal_as_given": self.seal_holds,
            "signatures": [asdict(s) for s in self.signatures],
            "stamp": asdict(self.stamp) if self.stamp else None,
            "vouched": self.vouched,
        }


def _plain(checked: CheckResult) -> dict[str, Any]:
    return {
        "seal": checked.seal,
        "positions": [p.position for p in checked.parts],
        "faults": [{"kind": f.kind, "file": _shown(f.file), "text": _shown(f.text)} for f in checked.faults],
    }


def _shown(text: str | None) -> str | None:
    """A name from a bag as it may be printed."""
    from anodewane.report.texts import clean

    return None if text is None else clean(text)


def _tell(told: Telling, checked: CheckResult, vouched: str | None) -> None:
    """What is known of a bag, and no more."""
    for f in checked.faults:
        told.line(f"{f.kind}: {_shown(f.file) or 'the bag'}: {_shown(f.text)}")
    positions = f"{len(checked.parts)} position{'' if len(checked.parts) == 1 else 's'}, seal {checked.seal}"
    if checked.faults:
        told.line("The bag doesn't agree with itself.")
    elif vouched is not None:
        told.line(f"The bag is {vouched}: {positions}.")
    else:
        told.line(
            f"The bag agrees with its own manifests: {positions}. Without a seal, a signature or a "
            "time-stamp that is believed, this says nothing of who made them."
        )


def _remade(told: Telling, bag: Path, checked: CheckResult) -> tuple[RemakeResult, ...]:
    """Overlays and report of a bag without faults made again, and what differs told."""
    from anodewane.evidence.remake import remake

    if checked.faults:
        return ()
    made = remake(bag, checked, _setters())
    for r in made:
        if r.same is False:
            told.line(f"exchanged: {_shown(r.file)}: It isn't what the bag's own records and originals give.")
        elif r.same is None:
            told.line(f"not compared: {_shown(r.file)}: {_shown(r.why)}.")
    return made


def _exchanged(made: tuple[RemakeResult, ...]) -> bool:
    return any(r.same is False for r in made)


def _plain_remade(made: tuple[RemakeResult, ...]) -> list[dict[str, Any]]:
    return [{"file": _shown(r.file), "same": r.same, "why": _shown(r.why)} for r in made]


def _again_words(a: RecheckResult) -> str:
    if a.now is None:
        return f"{a.position}: not judged again: {a.why}."
    if a.same:
        return f"{a.position}: the same ({a.then})."
    bits = [f"{a.then} then, {a.now} now" if a.then != a.now else a.then]
    named = (
        ("mass gone", a.mass_points),
        ("its lower end", a.low_points),
        ("its upper end", a.high_points),
        ("area gone", a.area_points),
    )
    bits += [f"{name} {points:+.2f} points" for name, points in named if points]
    return f"{a.position}: differs: {'; '.join([*bits, *a.other])}."
