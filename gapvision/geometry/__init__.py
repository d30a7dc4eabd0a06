"""geometry room."""
