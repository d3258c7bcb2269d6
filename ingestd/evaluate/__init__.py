"""The pure judgement: facts of a run in, outcome with reasons out."""

from ingestd.evaluate.placing import Candidate, Placed, TubeIndex, Waiting, place
from ingestd.evaluate.runs import evaluate

__all__ = ["Candidate", "Placed", "TubeIndex", "Waiting", "evaluate", "place"]
