"""What the tests of the command line share."""

import pytest


@pytest.fixture(autouse=True)
def _once(measuring_once):
    """A photo seen before with the same settings is not measured again."""
