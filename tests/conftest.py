"""What all tests share: the hypothesis profiles and where outside data may be found."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

REPOSITORY = Path(__file__).resolve().parent.parent

# Examples are drawn from the test's own source, not from chance: the same run gives the same result everywhere.
# No deadline: the first call of a kernel compiles it.
settings.register_profile(
    "repeatable", derandomize=True, deadline=None, max_examples=50, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("search", derandomize=False, deadline=None, max_examples=1000, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what needs a browser or PDF libraries by the fixtures that it asks for: no test can forget it."""
    for item in items:
        names = getattr(item, "fixturenames", ())
        if "chromium" in names:
            item.add_marker("browser")
        if "pdf_libraries" in names:
            item.add_marker("pdf")


@pytest.fixture(scope="session")
def repository() -> Path:
    """Root of the repository."""
    return REPOSITORY


@pytest.fixture(scope="session")
def shared_dir() -> Path:
    """Folder of outside data beside the repository; tests that need it skip where it is absent."""
    folder = REPOSITORY.parent / "shared"
    if not folder.is_dir():
        pytest.skip("the folder ../shared with outside data is not there")
    return folder


@pytest.fixture(scope="session")
def field_logs(shared_dir: Path) -> Path:
    """Folder of real drives among the outside data; tests that need it skip where it is absent."""
    folder = shared_dir / "field_logs"
    if not folder.is_dir():
        pytest.skip("the real drives are not there")
    return folder


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """Debian's chromium, headless; tests that need it (mark them ``browser``) skip where it is absent."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("chromium is not installed (Debian package chromium)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def offline_page(chromium: Browser) -> Iterator[Page]:
    """A browser page without a network: what it shows must come from files."""
    context = chromium.new_context(offline=True)
    yield context.new_page()
    context.close()


@pytest.fixture(scope="session")
def pdf_libraries() -> None:
    """Skip where pango, which PDF needs, is absent; with pango alone (no subsetter of HarfBuzz) PDF is written."""
    from swathledger.errors import OutputError
    from swathledger.report.pdf import weasyprint_module

    try:
        weasyprint_module()
    except OutputError:
        pytest.skip("pango is not installed (Debian packages libpango-1.0-0, libpangoft2-1.0-0)")
