"""``anodewane season``: the season's book: boats, positions, haul-outs and judgements in one file, and
what follows from them. A file a group of commands; they import click and nothing heavy.
"""

from __future__ import annotations

import click

from anodewane.cli.season.file import check_command, export_command, import_command
from anodewane.cli.season.follows import (
    calibrate_command,
    history_command,
    order_command,
    plot_command,
    show_command,
    warnings_command,
)
from anodewane.cli.season.found import (
    accept_command,
    overrule_command,
    record_command,
    refit_command,
    weigh_command,
    withdraw_command,
)
from anodewane.cli.season.setup import (
    boat_command,
    fit_command,
    haul_out_command,
    import_list_command,
    launch_command,
    new_command,
    position_command,
)


@click.group(short_help="Keep the season's book.")
def season() -> None:
    """Keep the season's book: what was found at each haul-out, how fast it wears, what won't last, what
    to buy, and what to have looked at.

    A book is one file. Begin with 'new' and 'import-list', then 'record' what 'anodewane batch' judged,
    and 'show', 'warnings' and 'order'. Dates are written 2026-04-18.
    """


for command in (
    new_command,
    boat_command,
    position_command,
    fit_command,
    haul_out_command,
    launch_command,
    import_list_command,
    record_command,
    weigh_command,
    withdraw_command,
    overrule_command,
    accept_command,
    refit_command,
    show_command,
    history_command,
    warnings_command,
    order_command,
    calibrate_command,
    plot_command,
    export_command,
    import_command,
    check_command,
):
    season.add_command(command)
