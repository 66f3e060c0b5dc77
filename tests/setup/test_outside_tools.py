"""The fixtures for outside tools work where the tools are there (and skip, saying so, where they are not)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from swathledger.report.pdf import weasyprint_module

if TYPE_CHECKING:
    from playwright.sync_api import Page


@pytest.mark.browser
def test_browser_reads_a_file_offline(offline_page: Page, tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_text("<p id=p></p><script>p.textContent = navigator.onLine ? 'on' : 'off'</script>", encoding="utf-8")
    offline_page.goto(file.as_uri())
    assert offline_page.inner_text("#p") == "off"


@pytest.mark.usefixtures("pdf_libraries")
def test_pdf_is_written() -> None:
    assert weasyprint_module().HTML(string="<p>one page</p>").write_pdf().startswith(b"%PDF-")
