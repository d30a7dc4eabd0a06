"""targets room."""
