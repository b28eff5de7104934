"""A browser without a window, driven from outside: Debian's chromium, which `.ci/run` installs."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    found = shutil.which("chromium")
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("there is no chromium: apt-get install chromium")
        pytest.skip("needs chromium: apt-get install chromium")
    with sync_playwright() as tools:
        # As root, as in a container, chromium cannot build its own sandbox; it is shown only pages made here.
        launched = tools.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield launched
        launched.close()
