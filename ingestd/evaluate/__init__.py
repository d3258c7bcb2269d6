"""The pure judgement: facts of a run in, outcome with reasons out."""
