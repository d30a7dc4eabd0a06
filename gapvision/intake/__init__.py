"""intake room."""
