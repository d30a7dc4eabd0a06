"""records room."""
