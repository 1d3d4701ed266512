"""``anodewane evidence``: the bag that proves a report; packed, checked, judged again,
time-stamped and signed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anodewane.cli._reporting import PATH, REPORTING, sources_and_choices
from anodewane.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from anodewane.evidence.pack import Checked

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
def pack(
    bag: Path,
    handed_files: tuple[Path, ...],
    strip_location: bool,
    **asked: Any,
) -> None:
    """Pack originals, records, overlays, report, settings, templates and the model's hash into a bag.

    Says plainly when originals carry the place where they were taken. Standard output gets one line of
    JSON with the bag's seal: the SHA-256 that stands for all of it.
    """
    from anodewane.cli._stdout import answer_only

    with answer_only() as answer:
        from anodewane.evidence.pack import pack as pack_bag
        from anodewane.report.html import report_html
        from anodewane.report.pdf import report_pdf
        from anodewane.report.request import assemble

        sources, choices = sources_and_choices(**asked)
        made = assemble(sources, choices)
        packed = pack_bag(
            made,
            bag,
            {"report.pdf": lambda: report_pdf(made.report), "report.html": lambda: report_html(made.report)},
            handed_files=handed_files,
            strip_location=strip_location,
        )
        look_at = list(made.report.attention) if made.report.looks_wrong else []
        for line in (*packed.said, *(f"Look at: {a}" for a in look_at)):
            click.echo(line, err=True)
        _answer(
            answer,
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
            },
        )


@evidence.command(short_help="Check a bag: every file that is changed, missing or extra is named.")
@BAG
@SIGNERS
@ROOTS
@click.pass_context
def check(ctx: click.Context, bag: Path, signers: Path | None, roots: Path | None) -> None:
    """Check a bag: its files against its manifests, its records against its originals, settings and
    templates, its signature and its time-stamp.

    The exit code is 0 when all of it holds, else 8. Nothing in the bag is followed or run. Without
    --signers and --root it is told which key signed and when the stamp was given, but not whose key and
    whose stamp it is.
    """
    from anodewane.cli._stdout import answer_only

    with answer_only() as answer:
        from anodewane.evidence.pack import check as check_bag

        checked = check_bag(bag)
        proofs, holds = _proofs(bag, signers, roots)
        _tell(checked)
        _answer(answer, {**_plain(checked), **proofs, "whole": not checked.faults and holds})
    ctx.exit(int(ExitCode.JUDGED if not checked.faults and holds else ExitCode.EVIDENCE_DIFFERS))


@evidence.command(short_help="Judge a bag's originals again and tell the differences.")
@BAG
@click.pass_context
def recheck(ctx: click.Context, bag: Path) -> None:
    """Judge a bag's originals again, with the bag's own settings, templates and outlines, and say what
    differs: verdict, figures in percentage points, versions, model.

    A bag that isn't whole isn't judged. The exit code is 0 when everything comes out as it was, else 8.
    """
    from anodewane.cli._stdout import answer_only

    with answer_only() as answer:
        from dataclasses import asdict

        from anodewane.evidence.pack import check as check_bag
        from anodewane.evidence.pack import recheck as judge_again

        checked = check_bag(bag)
        _tell(checked)
        if checked.faults:
            click.echo("The bag isn't as it was packed, so judging it again would prove nothing.", err=True)
            _answer(answer, {**_plain(checked), "whole": False, "parts": None})
            ctx.exit(int(ExitCode.EVIDENCE_DIFFERS))
        again = judge_again(bag, checked.parts)
        for a in again:
            click.echo(_again_words(a), err=True)
        _answer(answer, {**_plain(checked), "whole": True, "parts": [asdict(a) for a in again]})
    ctx.exit(int(ExitCode.JUDGED if all(a.same for a in again) else ExitCode.EVIDENCE_DIFFERS))


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
def stamp(bag: Path, request: bool, response: Path | None, roots: Path | None) -> None:
    """Add a time-stamp: proof that the bag was as it is at that time.

    First --request; send the file to a service of your choice; then --response. Nothing is sent from here.
    """
    from anodewane.cli._stdout import answer_only

    if request == (response is not None):
        raise UsageError(
            "Neither or both of --request and --response were given.",
            "Give --request first, and --response when the service has answered.",
        )
    with answer_only() as answer:
        from dataclasses import asdict

        from anodewane.evidence.stamp import add_response, write_request

        _whole(bag)
        if response is None:
            file = write_request(bag)
            click.echo(
                f"Send '{file}' to a time-stamping service (media type application/timestamp-query), then give its answer with --response.",
                err=True,
            )
            _answer(answer, {"request": str(file)})
        else:
            _answer(answer, {"stamp": asdict(add_response(bag, response, roots))})


@evidence.command(short_help="Sign a bag with an OpenSSH key.")
@BAG
@click.option(
    "--key",
    metavar="FILE",
    required=True,
    type=PATH,
    help="Private key, or its public half when an agent holds it.",
)
def sign(bag: Path, key: Path) -> None:
    """Sign a bag with an OpenSSH key, by ssh-keygen: proof of who packed it. Whoever checks it needs
    your public key."""
    from anodewane.cli._stdout import answer_only

    with answer_only() as answer:
        from dataclasses import asdict

        from anodewane.evidence.signature import sign as sign_bag

        _whole(bag)
        _answer(answer, {"signature": asdict(sign_bag(bag, key))})


def _whole(bag: Path) -> None:
    """A bag that isn't whole is neither stamped nor signed."""
    from anodewane.evidence.pack import check as check_bag

    faults = check_bag(bag).faults
    if faults:
        raise UsageError(
            f"The bag isn't as it was packed: {faults[0].file or bag.name}: {faults[0].text}",
            "Pack it again: a proof over a changed bag proves the change.",
        )


def _proofs(bag: Path, signers: Path | None, roots: Path | None) -> tuple[dict[str, Any], bool]:
    """Signature and time-stamp, and whether those that are there hold. Asked for and not there
    is not holding."""
    from dataclasses import asdict

    from anodewane.evidence.signature import check_signature
    from anodewane.evidence.stamp import check_stamp

    signature, stamp = check_signature(bag, signers), check_stamp(bag, roots)
    holds = True
    if signature is None:
        if signers is not None:
            holds = False
            click.echo("The bag isn't signed.", err=True)
    elif not signature.holds or (signers is not None and signature.signer is None):
        holds = False
        click.echo(f"The signature doesn't hold: {signature.why}.", err=True)
    else:
        click.echo(
            f"Signed by {signature.signer or 'a key that nobody vouched for (give --signers)'}: {signature.key}.",
            err=True,
        )
    if stamp is None:
        if roots is not None:
            holds = False
            click.echo("The bag has no time-stamp.", err=True)
    elif not stamp.holds or stamp.trusted is False:
        holds = False
        click.echo(f"The time-stamp doesn't hold: {stamp.why}.", err=True)
    else:
        click.echo(
            f"Time-stamped {stamp.time}{'' if stamp.trusted else ', by a service that nobody vouched for (give --root)'}.",
            err=True,
        )
    return {
        "signature": asdict(signature) if signature else None,
        "stamp": asdict(stamp) if stamp else None,
    }, holds


def _plain(checked: Checked) -> dict[str, Any]:
    return {
        "seal": checked.seal,
        "positions": [p.position for p in checked.parts],
        "faults": [{"kind": f.kind, "file": _shown(f.file), "text": _shown(f.text)} for f in checked.faults],
    }


def _shown(text: str | None) -> str | None:
    """A name from a bag as it may be printed."""
    from anodewane.report.texts import clean

    return None if text is None else clean(text)


def _tell(checked: Checked) -> None:
    for f in checked.faults:
        click.echo(f"{f.kind}: {_shown(f.file) or 'the bag'}: {_shown(f.text)}", err=True)
    if not checked.faults:
        click.echo(
            f"The bag is as it was packed: {len(checked.parts)} positions, seal {checked.seal}.", err=True
        )


def _again_words(a: Any) -> str:
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


def _answer(answer: Any, plain: dict[str, Any]) -> None:
    import json

    answer(json.dumps(plain, ensure_ascii=False) + "\n")
