"""The application over a book made for the test, with a paired client."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("starlette")
pytest.importorskip("httpx2")

from made.web_yard import Page, application, make_yard, running


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    book = make_yard(tmp_path)
    with running(application(book), book) as made:
        yield made
