#!/usr/bin/env python3
"""Make the pages that follow from the code: cli.md, json.md, errors.md, settings.md, record.schema.json,
the decisions' index, and the table of the characters that the fonts have.

python docs/generate.py           write them
python docs/generate.py --check   exit 1 and name each page that is stale
"""

from __future__ import annotations

import ast
import json
import re
import sys
import textwrap
import tomllib
import types
import typing
from dataclasses import fields, is_dataclass
from pathlib import Path

DOCS = Path(__file__).resolve().parent
SRC = DOCS.parent / "src" / "anodewane"
FONTS = SRC / "fonts"
NOTES = DOCS / "errors_notes.toml"
NOTE = "<!-- Made by docs/generate.py; change the code or the notes, not this page. -->\n"

# --- the command ---------------------------------------------------------------------------------


def cli_page() -> str:
    import click

    from anodewane.cli import COMMANDS, cli
    from anodewane.errors import EXIT_MEANINGS

    def help_of(command: click.Command, path: list[str]) -> list[str]:
        ctx = click.Context(
            command,
            info_name=path[-1],
            terminal_width=100,
            max_content_width=100,
            help_option_names=["-h", "--help"],
        )
        for name in reversed(path[:-1]):
            ctx.parent = click.Context(cli, info_name=name) if ctx.parent is None else ctx.parent
        text = command.get_help(ctx)
        text = re.sub(r"^Usage: .*?(?= \[OPTIONS\]| [A-Z])", f"Usage: {' '.join(path)}", text, count=1)
        out = [f"{'#' * min(4, len(path) + 1)} {' '.join(path)}", "", "```text", text.rstrip(), "```", ""]
        if isinstance(command, click.Group):
            for name in COMMANDS if command is cli else sorted(command.list_commands(ctx)):
                sub = command.get_command(ctx, name)
                assert sub is not None, name
                out += help_of(sub, [*path, name])
        return out

    lines = [
        "# The command",
        "",
        NOTE,
        (
            "Standard output carries the answer (for `judge`, the record) and nothing else; everything else "
            "goes to standard error."
        ),
        "",
        "## Exit codes",
        "",
        "| code | name | meaning |",
        "|---|---|---|",
        *(f"| {int(code)} | {code.name} | {EXIT_MEANINGS[code]} |" for code in EXIT_MEANINGS),
        "",
        *help_of(cli, ["anodewane"]),
    ]
    return "\n".join(lines).rstrip() + "\n"


# --- the record ----------------------------------------------------------------------------------

UNITS = {
    "px": "photo pixels, centres at "
          "integers", "mm": "mm", "mm2": "mm²", "deg": "degrees", "g": "g", "pct": "% (points of the new "
                                                                                   "part)", "frac": "0 to 1",
}  # fmt: skip


def _type_name(kind: object) -> str:
    if kind is type(None):
        return "null"
    origin, args = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        return " or ".join(_type_name(a) for a in args)
    if origin is typing.Literal:
        return " or ".join(f'"{a}"' for a in args)
    if origin is tuple:
        if len(args) == 2 and args[1] is Ellipsis:
            return f"list of {_type_name(args[0])}"
        return f"[{', '.join(_type_name(a) for a in args)}]"
    if origin is dict:
        return f"object of {_type_name(args[1])}"
    if is_dataclass(kind):
        return f"[{kind.__name__}](#{kind.__name__.lower()})"  # type: ignore[union-attr]
    name: str = kind.__name__  # type: ignore[attr-defined]
    return {"str": "text", "float": "number", "int": "integer", "bool": "true or false"}[name]


def _classes(kind: object, seen: dict[str, type]) -> dict[str, type]:
    if is_dataclass(kind) and isinstance(kind, type) and kind.__name__ not in seen:
        seen[kind.__name__] = kind
        for hint in typing.get_type_hints(kind).values():
            _classes(hint, seen)
    for a in typing.get_args(kind):
        _classes(a, seen)
    return seen


def json_page() -> str:
    from anodewane.record import Verdict
    from anodewane.show.record_json import SCHEMA_ID

    lines = [
        "# The record",
        "",
        NOTE,
        (
            "What `anodewane judge` prints: one JSON object, held to "
            "[record.schema.json](record.schema.json) "
            f"(`{SCHEMA_ID}`, JSON Schema 2020-12)."
        ),
        (
            "Every key is always there; what is unknown is null, never 0 or empty. Units are in the keys' "
            "names; an interval's ends have the unit of its key."
        ),
        (
            "The keys stay as they are within a major `schema_version`; later versions may add some, so pass "
            "over those that you don't know."
        ),
        "",
        (
            "In `outline.photo_px` and `template.outline_photo_px` the first ring is the outer one and the "
            "others are holes; rings aren't closed."
        ),
        "Photo pixels are those of the upright photo, pixel centres at integers.",
        "",
    ]
    for name, kind in _classes(Verdict, {}).items():
        doc = " ".join((kind.__doc__ or "").split())
        lines += [f"## {name}", "", doc, "", "| key | type | unit |", "|---|---|---|"]
        hints = typing.get_type_hints(kind)
        for f in fields(kind):
            unit = UNITS.get(f.name.rsplit("_", 1)[-1], "")
            lines.append(f"| `{f.name}` | {_type_name(hints[f.name])} | {unit} |")
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def schema_text() -> str:
    from anodewane.show.record_json import record_schema

    return json.dumps(record_schema(), indent=2, ensure_ascii=False) + "\n"


# --- errors --------------------------------------------------------------------------------------

ERROR_CLASSES = ("UsageError", "InputUnreadable", "OutputNotWritable", "ModelError")


def _template(node: ast.expr, constants: dict[str, str]) -> str | None:
    """The text of a string or f-string, … for whatever is filled in; None when it isn't written out."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        bits = []
        for v in node.values:
            if isinstance(v, ast.Constant):
                bits.append(str(v.value))
            else:
                inner = v.value if isinstance(v, ast.FormattedValue) else v
                bits.append(constants.get(inner.id, "…") if isinstance(inner, ast.Name) else "…")
        return re.sub(r"…[….]*…", "…", "".join(bits))
    if isinstance(node, ast.Name):
        return constants.get(node.id)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        left, right = _template(node.left, constants), _template(node.right, constants)
        return None if left is None or right is None else left + right
    if isinstance(node, ast.IfExp):
        return "…"
    return None


def raised_messages() -> list[tuple[str, str, str, str]]:
    """Error class, message, remedy and file of every error in the code, `…` for what is filled in."""
    found: dict[tuple[str, str], tuple[str, str]] = {}
    for path in sorted(SRC.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        constants: dict[str, str] = {}
        for node in ast.walk(tree):
            if (
                isinstance(node, ast.Assign)
                and len(node.targets) == 1
                and isinstance(node.targets[0], ast.Name)
            ):
                text = _template(node.value, {})
                if text is not None:
                    constants[node.targets[0].id] = text
        for node in ast.walk(tree):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id in ERROR_CLASSES
            ):
                message = _template(node.args[0], constants) if node.args else None
                remedy = _template(node.args[1], constants) if len(node.args) > 1 else None
                where = f"{path.relative_to(SRC)}:{node.lineno}"
                if message is None or message.strip(" ….") == "":
                    raise SystemExit(
                        f"{where}: {node.func.id}'s message isn't written out, so docs/errors.md can't be "
                        "headed by it"
                    )
                found.setdefault((node.func.id, message), (remedy or "…", str(path.relative_to(SRC))))
    return [(kind, message, remedy, where) for (kind, message), (remedy, where) in found.items()]


def errors_page() -> str:
    import anodewane.errors as errors
    from anodewane.refusals import FINDINGS, REFUSALS

    notes = tomllib.loads(NOTES.read_text(encoding="utf-8"))
    unknown = set(notes) - set(REFUSALS) - set(FINDINGS)
    if unknown:
        raise SystemExit(f"{NOTES.name} explains codes that don't exist: {', '.join(sorted(unknown))}")

    def heading(message: str) -> str:
        return message.replace("{detail}", "…")

    lines = [
        "# Errors, refusals and findings",
        "",
        NOTE,
        (
            "Each heading is the sentence that you read, with … for what is filled in. Search this page "
            "for a "
            "few of its words."
        ),
        "",
        "## Refusals: the photo can't be judged (exit code 4)",
        "",
        (
            "The file is readable, so there is a record: `status` is `cannot_judge`, and `reasons` holds the "
            "code."
        ),
        "",
    ]
    for code, (message, remedy) in REFUSALS.items():
        lines += [f"### {heading(message)}", "", f"`{code}`. {remedy}", ""]
        if code in notes:
            lines += [notes[code].strip(), ""]
    lines += ["## Findings: reasons of a judgement that was made (exit code 0)", ""]
    for code, (message, finding_remedy) in FINDINGS.items():
        if message == "{detail}":
            lines += [
                "### (a note about the file, in its own words)",
                "",
                f"`{code}`. What was odd about the file but didn't stop the judgement.",
                "",
            ]
            continue
        lines += [f"### {heading(message)}", "", f"`{code}`. {finding_remedy or 'Nothing needs doing.'}", ""]
        if code in notes:
            lines += [notes[code].strip(), ""]
    messages = raised_messages()
    for kind in ERROR_CLASSES:
        cls = getattr(errors, kind)
        lines += [f"## {kind}: {errors.EXIT_MEANINGS[cls.exit_code]} (exit code {int(cls.exit_code)})", ""]
        for _, message, remedy, _where in sorted(m for m in messages if m[0] == kind):
            lines += [f"### {message}", "", remedy, ""]
    lines += [
        f"## An unexpected fault (exit code {int(errors.ExitCode.UNEXPECTED)})",
        "",
        "### An unexpected fault: …",
        "",
        (
            "A mistake in anodewane itself. Please report it with the output of `anodewane doctor`; "
            "`anodewane "
            "--debug …` shows where it happened."
        ),
    ]
    return "\n".join(lines).rstrip() + "\n"


# --- settings and decisions ----------------------------------------------------------------------


def settings_page() -> str:
    from anodewane.settings import BookRules, Settings

    lines = [
        "# Settings",
        "",
        NOTE,
        (
            "What `--settings FILE.toml` may hold, with the values that are taken without one. Every record "
            "carries the digest of all of them."
        ),
        "",
        "| key | value | meaning and source |",
        "|---|---|---|",
    ]
    lines += _knobs(Settings())
    lines += [
        "",
        "## The season's book",
        "",
        "In the same file under `[book]`. They change no record, so they aren't in its digest.",
        "",
        "| key | value | meaning and source |",
        "|---|---|---|",
    ]
    lines += _knobs(BookRules())
    return "\n".join(lines) + "\n"


def _knobs(defaults: object) -> list[str]:
    lines = []
    for f in fields(defaults):  # type: ignore[arg-type]
        value = getattr(defaults, f.name)
        shown = "not set" if value is None else json.dumps(value, ensure_ascii=False)
        lines.append(f"| `{f.name}` | {shown} | {f.metadata['text']} |")
    return lines


SUBJECTS = {
    0: "The sheet, the part and its wear",
    1: "The record, the command, the picture",
    2: "Telling metal from the rest",
    3: "Several photos",
    4: "Batch, report, evidence",
    5: "The season's book",
    6: "The page in the yard",
    7: "Castings",
}
"""By a decision's number over ten."""


def decisions_page() -> str:
    lines = [
        "# Decisions",
        "",
        NOTE,
        (
            "Why things are as they are, with what was refused and where the figures stand. One page a "
            "decision, "
            "numbered; an overturned one stays and says by which."
        ),
    ]
    subject = None
    for path in sorted((DOCS / "decisions").glob("[0-9]*.md")):
        text = path.read_text(encoding="utf-8").splitlines()
        if SUBJECTS[int(path.name[:4]) // 10] != subject:
            subject = SUBJECTS[int(path.name[:4]) // 10]
            lines += ["", f"## {subject}", ""]
        status = text[2].removeprefix("Status: ").rstrip(".")
        lines.append(
            f"- [{text[0].lstrip('# ')}]({path.name})" + ("" if status == "holds" else f" ({status})")
        )
    return "\n".join(lines).rstrip() + "\n"


def wrapped(page: str) -> str:
    """A Markdown page with its prose within 110 columns; headings, tables, code and notes as they are."""
    out, code = [], False
    for line in page.split("\n"):
        code ^= line.startswith("```")
        if code or len(line) <= 110 or line.startswith(("#", "|", "<", "```")):
            out.append(line)
            continue
        mark = "- " if line.startswith("- ") else ""
        whole = re.sub(r"`[^`]*`", lambda m: m.group(0).replace(" ", "\0"), line)
        wrap = textwrap.wrap(
            whole, 110, subsequent_indent=" " * len(mark), break_long_words=False, break_on_hyphens=False
        )
        out += [w.replace("\0", " ") for w in wrap]
    return "\n".join(out)


def fonts_text() -> str:
    """Characters that both of the package's fonts have, as hexadecimal numbers and ranges."""
    from fontTools.ttLib import TTFont

    sets = []
    for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"):
        with TTFont(FONTS / name, lazy=True) as font:
            sets.append(set(font.getBestCmap()))
    both = sorted(sets[0] & sets[1])
    starts = [c for c in both if c - 1 not in sets[0] & sets[1]]
    ends = [c for c in both if c + 1 not in sets[0] & sets[1]]
    runs = [f"{a:x}" if a == b else f"{a:x}-{b:x}" for a, b in zip(starts, ends, strict=True)]
    return "\n".join(textwrap.wrap(" ".join(runs), 100, break_on_hyphens=False)) + "\n"


# --- writing -------------------------------------------------------------------------------------


def pages() -> dict[Path, str]:
    return {
        DOCS / "cli.md": wrapped(cli_page()),
        DOCS / "json.md": wrapped(json_page()),
        DOCS / "errors.md": wrapped(errors_page()),
        DOCS / "settings.md": wrapped(settings_page()),
        DOCS / "record.schema.json": schema_text(),
        DOCS / "decisions" / "README.md": wrapped(decisions_page()),
        FONTS / "covered.txt": fonts_text(),
    }


def main() -> int:
    check = sys.argv[1:] == ["--check"]
    stale = []
    for path, text in pages().items():
        if path.exists() and path.read_text(encoding="utf-8") == text:
            continue
        stale.append(str(path.relative_to(DOCS.parent)))
        if not check:
            path.write_text(text, encoding="utf-8")
    if check and stale:
        print(f"stale, run docs/generate.py: {', '.join(stale)}")
        return 1
    print("generated pages are as the code says" if not stale else f"written: {', '.join(stale)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
