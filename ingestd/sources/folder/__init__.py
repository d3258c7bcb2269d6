"""A watched folder: every version of every file is handed over, none is missed."""
