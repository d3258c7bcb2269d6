"""One TOML file, checked whole, as frozen values: what this process needs, never how to judge."""

from ingestd.config.configuration import (
    FILE_NAME,
    Config,
    DeliverySection,
    FilesTarget,
    FolderSource,
    LineSource,
    PostgresTarget,
    find_config,
    load_config,
)

__all__ = [
    "FILE_NAME",
    "Config",
    "DeliverySection",
    "FilesTarget",
    "FolderSource",
    "LineSource",
    "PostgresTarget",
    "find_config",
    "load_config",
]
