"""scenes room."""
