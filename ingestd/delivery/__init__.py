"""Released results pushed onward, exactly once in effect: to PostgreSQL and to plain files."""
