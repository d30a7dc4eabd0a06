"""What only developers need: invented photos with exact truth, teaching the eye, the bench.  Not in the wheel."""
