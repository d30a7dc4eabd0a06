"""judgement room."""
