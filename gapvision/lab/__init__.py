"""What only developers need: invented photos with exact truth, teaching the eye, the bench.  Not in the wheel."""

from pathlib import Path

#: Sample photos with their truth, at the top of the checkout.
SAMPLE_IMAGES = Path(__file__).resolve().parents[2] / "sample_images"
