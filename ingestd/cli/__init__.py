"""The commands, one module a kind of work; everything heavy is imported when a command runs."""
