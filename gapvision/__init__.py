"""gapvision: the gap along a panel seam, from one photo with a printed strip beside it."""

__version__ = "0.1.0"

#: Raised whenever a change moves a measured number, so that old records stay comparable.
METHOD_VERSION = 8
