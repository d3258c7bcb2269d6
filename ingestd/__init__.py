"""ingestd: photometer readings in, explained and audited results out."""

__version__ = "0.1.0"
