"""bench room."""
