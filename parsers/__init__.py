"""Bytes in, readings out: pure parsers for layouts that a form declares."""

from parsers.errors import FormError, ParseError
from parsers.forms import Form, load_form
from parsers.readings import Fault, Parsed, Reading, Resume, Span
from parsers.recognise import Recognition, recognise
from parsers.shapes import parse, parse_in_parts

__all__ = [
    "Fault",
    "Form",
    "FormError",
    "ParseError",
    "Parsed",
    "Reading",
    "Recognition",
    "Resume",
    "Span",
    "load_form",
    "parse",
    "parse_in_parts",
    "recognise",
]
