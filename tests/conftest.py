"""What all tests share: the hypothesis profiles and where outside data may be found."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

REPOSITORY = Path(__file__).resolve().parent.parent

# Examples are drawn from the test's own source, not from chance: the same run gives the same result everywhere.
# No deadline: the first call of a kernel compiles it.
settings.register_profile(
    "repeatable",
    derandomize=True,
    deadline=None,
    max_examples=50,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("search", derandomize=False, deadline=None, max_examples=1000, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))


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
