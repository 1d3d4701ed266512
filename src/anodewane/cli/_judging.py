"""The options that every command which judges photos has, and what they turn into."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from anodewane.errors import UsageError

if TYPE_CHECKING:
    from datetime import date

    from anodewane.judgement.method import Method
    from anodewane.record import LensProfile
    from anodewane.records import Template
    from anodewane.settings import Settings

FILE = click.Path(path_type=Path)
Command = TypeVar("Command", bound=Callable[..., Any])


class CheckLine(click.ParamType):  # type: ignore[type-arg]
    """X or X,Y in millimetres."""

    name = "X[,Y]"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        try:
            numbers = [float(v) for v in str(value).split(",")]
        except ValueError:
            self.fail(
                f"'{value}' isn't one or two lengths in millimetres, such as 97.2 or 97.2,99.8.", param, ctx
            )
        if len(numbers) not in (1, 2) or not all(80 <= v <= 120 for v in numbers):
            self.fail(
                f"'{value}' isn't one or two lengths from 80 to 120 mm, such as 97.2 or 97.2,99.8.",
                param,
                ctx,
            )
        return numbers[0], numbers[-1]


class Day(click.ParamType):  # type: ignore[type-arg]
    """A calendar date, YYYY-MM-DD."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        from datetime import date

        if isinstance(value, date):
            return value
        try:
            if len(str(value)) != 10:
                raise ValueError
            return date.fromisoformat(str(value))
        except ValueError:
            self.fail(f"'{value}' isn't a date such as 2026-04-18.", param, ctx)


TEMPLATE = click.option(
    "--template",
    metavar="NAME|FILE",
    help="The new part: a name of 'anodewane template list', or a file. Without it the best fit of the "
    "library is taken.",
)
SETTINGS = click.option(
    "--settings",
    "settings_file",
    metavar="FILE.toml",
    type=FILE,
    help="Settings, such as limit_pct and its basis.",
)
LIMIT = click.option(
    "--limit",
    metavar="PCT",
    type=click.FloatRange(1, 100),
    help="Share of the mass at which the part is to be replaced; 50 by default.",
)
CHECK_LINE = click.option(
    "--check-line",
    metavar="X[,Y]",
    type=CheckLine(),
    help="What the sheet's 100 mm lines measure, in mm; one figure stands for both.",
)
SEGMENTER = click.option(
    "--segmenter",
    type=click.Choice(["network", "classical"]),
    default="network",
    show_default=True,
    help="Who tells metal from the rest.",
)
CAMERA = click.option(
    "--camera",
    "camera_file",
    metavar="PROFILE.toml",
    type=FILE,
    help="The phone's lens, as 'anodewane camera' measured it.",
)

BOOK = click.option(
    "--book",
    "book_file",
    metavar="BOOK",
    type=FILE,
    help="The season's book: judge against the part that it has there, and keep the record in it.",
)


def _not_to_come(_ctx: click.Context, _param: click.Parameter, value: date | None) -> date | None:
    """A haul-out at which something was found isn't in the future."""
    from datetime import date

    today = date.today()  # noqa: DTZ011 - the yard's own day
    if value is not None and value > today:
        raise UsageError(
            f"{value} is still to come: it is {today}, by this machine's clock.",
            "Correct the date, or the clock.",
        )
    return value


HAULED = click.option(
    "--hauled",
    "hauled_on",
    metavar="DATE",
    type=Day(),
    callback=_not_to_come,
    help="When the boat was hauled out.  [default: the haul-out that it stands ashore for]",
)


AS_JSON = click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="Print JSON on a terminal too, where a few lines are printed else.",
)
NEW_HAUL_OUT = click.option(
    "--new-haul-out",
    is_flag=True,
    help="With --hauled: a haul-out of that day that the book doesn't have yet.",
)
ANY_DATE = click.option(
    "--any-date",
    is_flag=True,
    help="Take photos that say another day than the haul-out's: the camera's clock was wrong.",
)


def options(*decorators: Callable[[Command], Command]) -> Callable[[Command], Command]:
    """Several options at once, in this order in the help."""

    def decorate(command: Command) -> Command:
        for decorator in reversed(decorators):
            command = decorator(command)
        return command

    return decorate


def KEEP_IN_BOOK(command: Command) -> Command:  # noqa: N802 - stands among the options
    """The options of a command that keeps what it judges in the season's book."""
    return options(BOOK, HAULED)(command)


def settings_of(file: Path | None, limit: float | None) -> Settings:
    """Settings from a file with the command line's values over them."""
    from dataclasses import replace

    from anodewane.files import read_text
    from anodewane.settings import Settings, settings_from_toml

    settings = settings_from_toml(read_text(file, "settings file")) if file else Settings()
    if limit is None:
        return settings
    return replace(
        settings,
        limit_pct=limit,
        monitor_from_pct=min(settings.monitor_from_pct, limit),
        basis="set on the command line",
    )


def method_of(
    settings_file: Path | None,
    limit: float | None,
    segmenter: str = "network",
    camera_file: Path | None = None,
) -> Method:
    """How photos are judged, by the options `SETTINGS`, `LIMIT`, `SEGMENTER` and `CAMERA`."""
    from anodewane.judgement.method import Method

    return Method(settings_of(settings_file, limit), segmenter, lens_of(camera_file))


def template_of(given: str | None) -> Template | None:
    """The template of that name or file, or None."""
    if given is None:
        return None
    from anodewane.catalog.templates import load_template

    return load_template(given)


def lens_of(file: Path | None) -> LensProfile | None:
    """The lens profile in a file, or None."""
    if file is None:
        return None
    from anodewane.catalog.lens import lens_profile_from_toml
    from anodewane.files import read_text

    return lens_profile_from_toml(read_text(file, "lens profile"))
