"""reports room."""
