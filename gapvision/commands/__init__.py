"""commands room."""
