"""The pure judgement: facts of a run in, outcome with reasons out."""

from ingestd.evaluate.explain import explain
from ingestd.evaluate.placing import Candidate, Placed, TubeIndex, Waiting, place
from ingestd.evaluate.rules.registry import RULES
from ingestd.evaluate.run import evaluate

__all__ = [
    "RULES",
    "Candidate",
    "Placed",
    "TubeIndex",
    "Waiting",
    "evaluate",
    "explain",
    "place",
]
