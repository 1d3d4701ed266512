"""The page model as one HTML file that needs nothing else: pictures and style are in it, nothing is
loaded, no script runs. Set by a template that escapes whatever it is given.
"""

from __future__ import annotations

import base64
from html import escape
from typing import Any

from anodewane.report.model import Report
from anodewane.report.pictures import Picture
from anodewane.show.html import environment, stand_alone
from anodewane.show.svg import Drawing


def report_html(report: Report) -> bytes:
    """Set the report as one HTML file in UTF-8. The same report gives the same bytes."""
    environment("report").filters.update(svg=_svg, data_uri=_data_uri)
    page = stand_alone(
        "report",
        "report.html",
        "report.css",
        language=report.language,
        title=report.title,
        report=report,
        say=report.say,
    )
    return page.encode("utf-8", "replace")


def _svg(drawing: Drawing, hidden: bool = False) -> Any:
    """A drawing in the page; hidden from readers aloud where the words stand beside it."""
    from markupsafe import Markup

    start = f'role="img" aria-label="{escape(drawing.alt)}"'
    svg = drawing.svg.replace(start, 'aria-hidden="true"', 1) if hidden else drawing.svg
    return Markup(svg)  # noqa: S704 - `svg.Sheet` escapes what it is given


def _data_uri(picture: Picture) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(picture.jpeg).decode()}"
