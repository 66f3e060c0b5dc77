"""The fixtures for outside tools work where the tools are there (and skip, saying so, where they are not)."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from swathledger.report.pdf import weasyprint_module

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

ASK = "url => fetch(url, {mode: 'no-cors'}).then(() => 'answered', () => 'refused')"


@pytest.fixture
def server() -> Iterator[tuple[str, list[str]]]:
    """Address of a server on this machine, and the paths that it was asked for."""
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Handler) as found:
        threading.Thread(target=found.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{found.server_port}/", asked
        found.shutdown()


@pytest.mark.browser
def test_browser_reads_a_file_and_reaches_nothing(
    offline_page: Page, chromium: Browser, server: tuple[str, list[str]], tmp_path: Path
) -> None:
    url, asked = server
    file = tmp_path / "page.html"
    file.write_text("<p id=p>read</p>", encoding="utf-8")
    offline_page.goto(file.as_uri())
    assert offline_page.inner_text("#p") == "read"
    assert offline_page.evaluate(ASK, url) == "refused"
    assert asked == []
    # with a network the same question arrives: the server is there
    online = chromium.new_page()
    online.goto(file.as_uri())
    assert online.evaluate(ASK, url) == "answered"
    assert asked == ["/"]
    online.close()


@pytest.mark.usefixtures("pdf_libraries")
def test_pdf_is_written() -> None:
    assert weasyprint_module().HTML(string="<p>one page</p>").write_pdf().startswith(b"%PDF-")
