"""Figures for whoever watches from outside, in the Prometheus text format.

Those of the ledger are read when they are asked for; those of the running service are counted
as things happen. Names of sources and targets are labels; contents of samples never are.
"""

from collections.abc import Iterable, Iterator, Mapping

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from ingestd import __version__
from ingestd.service.status import Standing
from ingestd.times import instant

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
SECONDS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0)


class ServiceFigures:
    """What the running service counts; all methods are safe on any thread."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._readings = Counter(
            "ingestd_readings_taken", "Readings taken since the start.", ["source"],
            registry=self.registry,
        )  # fmt: skip
        self._faults = Counter(
            "ingestd_faults", "Faulty places in captures since the start.", ["source"],
            registry=self.registry,
        )  # fmt: skip
        self._latency = Histogram(
            "ingestd_arrival_seconds",
            "From an arrival seen to its outcome committed.",
            ["kind"],
            buckets=SECONDS,
            registry=self.registry,
        )
        self._queue = Gauge(
            "ingestd_queue_depth", "Jobs that wait for the writer.", registry=self.registry
        )
        self._busy = Gauge(
            "ingestd_writer_busy_seconds",
            "How long the writer has been at its present job.",
            registry=self.registry,
        )
        self._reloads = Counter(
            "ingestd_reloads", "Reloads of the configuration.", ["outcome"],
            registry=self.registry,
        )  # fmt: skip
        self._line_bytes = Gauge(
            "ingestd_line_waiting_bytes", "Bytes of a line not yet handed over.", ["source"],
            registry=self.registry,
        )  # fmt: skip

    def count_capture(self, source: str, readings: int, faults: int) -> None:
        """One reading of a capture has ended."""
        self._readings.labels(source).inc(readings)
        self._faults.labels(source).inc(faults)

    def observe_arrival(self, kind: str, seconds: float) -> None:
        """An arrival was handed over and what it means is committed.

        Args:
            kind: "folder" or "line".
            seconds: since its last byte was seen.
        """
        self._latency.labels(kind).observe(max(seconds, 0.0))

    def count_reload(self, *, is_taken: bool) -> None:
        """The configuration was read again, and taken or refused."""
        self._reloads.labels("taken" if is_taken else "refused").inc()

    def set_writer(self, waiting: int, busy_s: float) -> None:
        """How the writer is doing at this moment."""
        self._queue.set(waiting)
        self._busy.set(busy_s)

    def set_line(self, source: str, waiting_bytes: int) -> None:
        """How much of a serial line waits at this moment."""
        self._line_bytes.labels(source).set(waiting_bytes)


class LedgerFigures(Collector):
    """What a ledger says at one moment, as metrics."""

    def __init__(self, now: Standing) -> None:
        self._now = now

    def collect(self) -> Iterator[Metric]:
        """Each figure once."""
        now = self._now
        yield _by_label("ingestd_captures", "Captures by state.", ("state",), _keyed(now.captures))
        yield _total("ingestd_readings", "Readings ever taken.", now.readings)
        yield _one(
            "ingestd_readings_waiting", "Readings that wait for a tube.", now.readings_waiting
        )
        yield _by_label("ingestd_results", "Results by state.", ("state",), _keyed(now.results))
        yield _one("ingestd_results_proposed", "New versions beside released ones.", now.proposed)
        yield _one("ingestd_runs_open", "Runs neither complete nor closed.", now.runs_open)
        yield _total("ingestd_journal_entries", "Entries of the journal.", now.journal_entries)
        yield _one("ingestd_ledger_bytes", "Size of the ledger.", now.ledger_mib << 20)
        yield _one(
            "ingestd_disk_free_bytes", "Free on the ledger's disk.", now.disk_free_mib << 20
        )
        yield _one("ingestd_lots_expiring", "Kit lots that expire soon.", len(now.lots_expiring))
        yield _one("ingestd_service_silent", "1: the service should speak, and does not.",
                   int(bool(now.silent_since)))  # fmt: skip
        yield _one("ingestd_needs_a_hand", "Matters that need a person.", len(now.reasons()))
        yield from self._sources()
        yield from self._deliveries()

    def _sources(self) -> Iterator[Metric]:
        states = self._now.source_states
        yield _by_label(
            "ingestd_source_up",
            "1: the folder or line is as it should be.",
            ("source", "kind"),
            {(one.name, one.kind): int(one.state in ("ok", "stopped")) for one in states},
        )
        yield _by_label(
            "ingestd_source_last_arrival_timestamp_seconds",
            "When something last arrived.",
            ("source",),
            {
                (one.name,): one.last_arrival_at.timestamp()
                for one in states
                if one.last_arrival_at is not None
            },
        )
        yield _by_label(
            "ingestd_source_files_waiting",
            "Files of which something is still to be taken.",
            ("source",),
            {(one.name,): one.files_waiting for one in states if one.kind == "folder"},
        )
        for name, words, values in (
            ("ingestd_line_frames", "Frames since the start.",
             {one.name: one.frames for one in states if one.kind == "line"}),
            ("ingestd_line_damaged", "Damaged messages since the start.",
             {one.name: one.damaged for one in states if one.kind == "line"}),
        ):  # fmt: skip
            family = CounterMetricFamily(name, words, labels=["source"])
            for source, count in values.items():
                family.add_metric([source], count)
            yield family

    def _deliveries(self) -> Iterator[Metric]:
        found = self._now.deliveries
        yield _by_label(
            "ingestd_delivery_up",
            "1: the target takes what is sent.",
            ("target",),
            {(one.target,): int(one.state == "working") for one in found},
        )
        yield _by_label(
            "ingestd_outbox_results",
            "Released, withdrawn and superseded versions to be delivered.",
            ("target",),
            {(one.target,): one.results_behind for one in found},
        )
        yield _by_label(
            "ingestd_outbox_oldest_timestamp_seconds",
            "When the oldest of these was decided.",
            ("target",),
            {(one.target,): instant(one.oldest).timestamp() for one in found if one.oldest},
        )
        yield _by_label(
            "ingestd_delivery_set_aside",
            "Entries that the target refuses.",
            ("target",),
            {(one.target,): one.set_aside for one in found},
        )


def render_metrics(now: Standing, figures: ServiceFigures | None = None) -> bytes:
    """Everything as text.

    Args:
        now: of the ledger.
        figures: of the running service, where it is this process.
    """
    registry = CollectorRegistry()
    registry.register(LedgerFigures(now))
    Gauge("ingestd_build", "The program's version.", ["version"], registry=registry).labels(
        __version__
    ).set(1)
    text: bytes = generate_latest(registry)
    if figures is not None:
        text += generate_latest(figures.registry)
    return text


def _keyed(values: Mapping[str, int]) -> dict[tuple[str, ...], float]:
    return {(key,): value for key, value in values.items()}


def _one(name: str, words: str, value: float) -> Metric:
    return GaugeMetricFamily(name, words, value=value)


def _total(name: str, words: str, value: float) -> Metric:
    return CounterMetricFamily(name, words, value=value)


def _by_label(
    name: str, words: str, labels: Iterable[str], values: Mapping[tuple[str, ...], float]
) -> Metric:
    family = GaugeMetricFamily(name, words, labels=list(labels))
    for key, value in values.items():
        family.add_metric(list(key), value)
    return family
