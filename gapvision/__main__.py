"""Run gapvision as ``python -m gapvision``."""

import sys

from gapvision.cli import program

sys.exit(program())
