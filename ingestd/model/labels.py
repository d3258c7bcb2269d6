"""How printed sample texts and planned labels are compared."""


def label_key(text: str) -> str:
    """The text with runs of blanks made one, ends trimmed and case folded.

    Nothing else is forgiven: `E-101` and `E101` stay two labels.
    """
    return " ".join(text.split()).casefold()
