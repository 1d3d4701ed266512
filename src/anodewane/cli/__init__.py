"""The command: a lazy group, the one place where errors become exit codes, and a standard output that
carries the answer only.

One file a command, holding a click command of the command's name; it imports click and
`anodewane.errors` at most, everything else inside the function.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

import click

from anodewane.errors import AnodewaneError, ExitCode

COMMANDS = ("judge", "batch", "season", "serve", "report", "evidence", "card", "camera", "template", "doctor")
"""In the order in which a user meets them. A new command: its name here and its file beside this one."""


class _LazyGroup(click.Group):
    """Loads a command's file when it is asked for."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, _ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        from importlib import import_module

        command: click.Command = getattr(import_module(f"anodewane.cli.{cmd_name}"), cmd_name)
        return command


def _print_version(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if value:
        from anodewane.version import own_version

        click.echo(f"anodewane {own_version()}")
        ctx.exit()


@click.group(
    cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110}
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_version,
    help="Print the version and stop.",
)
@click.option("--debug", is_flag=True, help="On an unexpected fault, print where it happened.")
@click.pass_context
def cli(ctx: click.Context, debug: bool) -> None:
    """Say from a phone photo how much of a sacrificial anode is gone, how sure that is, and whether
    to replace it.

    Print the sheet with 'card', take a photo of the part beside it, and 'judge' the photo.
    """
    if isinstance(ctx.obj, dict):
        ctx.obj["debug"] = debug


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code. Errors turn into a sentence on standard error and an
    exit code here and nowhere else."""
    state: dict[str, Any] = {"debug": False}
    try:
        result = cli.main(
            args=None if argv is None else list(argv), prog_name="anodewane", standalone_mode=False, obj=state
        )
        sys.stdout.flush()
    except click.exceptions.Abort:
        _say("Interrupted.")
        return int(ExitCode.INTERRUPTED)
    except click.ClickException as e:
        e.show(file=sys.stderr)
        return int(ExitCode.USAGE)
    except AnodewaneError as e:
        _say(f"anodewane: {e}")
        return int(e.exit_code)
    except (BrokenPipeError, SystemExit):  # click turns a broken pipe into an exit of its own
        _silence_stdout()
        return int(ExitCode.OUTPUT_NOT_WRITABLE)
    except KeyboardInterrupt:
        _say("Interrupted.")
        return int(ExitCode.INTERRUPTED)
    except Exception as e:
        if state["debug"]:
            import traceback

            traceback.print_exc()
        _say(
            f"anodewane: An unexpected fault: {type(e).__name__}: {e}. Please report it with the output of "
            "'anodewane doctor' and, if you may, the photo; "
            "'anodewane --debug ...' shows where it happened."
        )
        return int(ExitCode.UNEXPECTED)
    return int(result) if isinstance(result, int) else int(ExitCode.JUDGED)


def _say(text: str) -> None:
    click.echo(text, err=True)


def _silence_stdout() -> None:
    """Point a broken standard output at nothing, so that Python's own flush at exit doesn't complain."""
    import os

    try:
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, sys.stdout.fileno())
        os.close(null)
    except (OSError, ValueError):
        return
