"""The application over a book made for the test, with a paired client."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("starlette")
pytest.importorskip("httpx2")

from made.web_yard import HOST, Page, application, make_yard, pair


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    from starlette.testclient import TestClient

    book = make_yard(tmp_path)
    app = application(book)
    with TestClient(app, base_url=HOST, raise_server_exceptions=True) as client:
        yield Page(client, book, app, pair(client, app))
