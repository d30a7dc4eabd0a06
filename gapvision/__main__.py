"""Run gapvision as ``python -m gapvision``."""

import sys

from gapvision.cli import main

sys.exit(main())
