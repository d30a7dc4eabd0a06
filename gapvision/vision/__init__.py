"""vision room."""
