"""Pages as HTML: templates that escape whatever they are given, for the page in the yard, the contact sheet,
the season's pages and the report.

A wing keeps its templates in its folder `pages`; those in `show/pages` serve all: the frame of a file that
needs nothing else (`alone.html`), its style (`alone.css`), and macros (`parts.html`).
"""

from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from typing import Any

from anodewane.show.figures import number, percent, percent_and_span, span
from anodewane.show.marks import MARKS, css, mark_of


@lru_cache(maxsize=8)
def environment(wing: str) -> Any:
    """The `jinja2.Environment` of a wing: its own templates first, then those that all share.

    Every value is escaped, and a name that isn't given is an error, never an empty place.
    """
    import jinja2

    loader = jinja2.ChoiceLoader([jinja2.PackageLoader(f"anodewane.{w}", "pages") for w in (wing, "show")])
    env = jinja2.Environment(
        loader=loader, autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    env.filters.update(
        number=number, percent=percent, percent_and_span=percent_and_span, span=span, css=css, mark=mark_of
    )
    env.globals["marks"] = MARKS
    return env


def stand_alone(wing: str, name: str, style: str, *, pictures: str = "data:", **context: Any) -> str:
    """A page that needs nothing else: style and drawings are in it, no script runs, nothing is loaded but
    its pictures.

    Parameters
    ----------
    wing, name : str
        Whose template, and which; it extends `alone.html`.
    style : str
        The template of its style sheet, which begins by including `alone.css`.
    pictures : str
        Where pictures may come from, as a content security policy has it: "data:", or "*" for files
        that lie beside the page, which by its own policy can come from nowhere else.
    """
    env = environment(wing)
    rules = env.get_template(style).render(**context)
    digest = base64.b64encode(hashlib.sha256(rules.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; script-src 'none'; img-src {pictures}; style-src 'sha256-{digest}'; "
        "form-action 'none'; base-uri 'none'"
    )
    from markupsafe import Markup

    # the rules were rendered by a template that escapes what it is given
    page: str = env.get_template(name).render(style=Markup(rules), policy=policy, **context)  # noqa: S704
    return page
