"""What the tests of the page share: Streamlit looks only once for components that other packages bring."""

from functools import cache

import pytest
from streamlit.components.v2 import manifest_scanner

_found = cache(manifest_scanner.scan_component_manifests)


@pytest.fixture(autouse=True)
def components_looked_for_once(monkeypatch):
    """Each AppTest would read all installed packages again, which takes longer than most pages."""
    monkeypatch.setattr(manifest_scanner, "scan_component_manifests", _found)


@pytest.fixture(autouse=True)
def _once(measuring_once):
    """A photo seen before with the same settings is not measured again."""
