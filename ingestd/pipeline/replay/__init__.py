"""Captures read again, with what is in force now or with what was in force then."""
