"""page room."""
