"""Whether what was noted at the bench can be read as the number or time it must be."""

from ingestd.evaluate.rules.rule import HOLD, Rule

READABLE_NOTE = Rule(
    name="readable_note",
    question="Is every note a rule needs a number, a time or a word it knows?",
    formula="the note reads as its key demands",
    outcomes=(("a note cannot be read", HOLD),),
)
