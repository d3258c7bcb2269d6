"""What is already known when a plan is read: the inputs in force, by name."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from ingestd.model import ControlStandard, Instrument, KitLot, Method, Sample, SamplingPoint


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownInputs:
    """The inputs in force, each mapping by its name, code or lot.

    Attributes:
        sample_runs: the run whose sheet brought a sample in, by sample code. A newer version of
            that run's sheet may correct what it said of the sample; every other sheet may only
            add to it.
    """

    methods: Mapping[str, Method] = field(default_factory=dict)
    lots: Mapping[str, KitLot] = field(default_factory=dict)
    standards: Mapping[str, ControlStandard] = field(default_factory=dict)
    samples: Mapping[str, Sample] = field(default_factory=dict)
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    points: Mapping[str, SamplingPoint] = field(default_factory=dict)
    sample_runs: Mapping[str, str] = field(default_factory=dict)
