"""Files that are written and read again: measurement, verdict, plan, table, package."""
