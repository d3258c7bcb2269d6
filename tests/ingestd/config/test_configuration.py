"""One TOML file, checked whole; what is wrong is named with its key."""

from pathlib import Path

import pytest

from ingestd.config import FILE_NAME, find_config, load_config
from ingestd.errors import ConfigError

SMALL = '[site]\nname = "Works"\ntime_zone = "Etc/UTC"\n'
SOURCE = '[[source]]\nname = "a"\npath = "in"\n'


def load(tmp_path: Path, text: str | bytes) -> object:
    path = tmp_path / FILE_NAME
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return load_config(path)


def test_paths_are_relative_to_the_file_and_defaults_are_filled_in(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_text(SMALL + SOURCE + '[ledger]\nwitness = "w"\n')
    config = load_config(tmp_path / FILE_NAME)
    assert config.ledger.path == tmp_path / "ledger.db"
    assert config.ledger.checkpoints == tmp_path / "checkpoints"
    assert config.ledger.witness == tmp_path / "w"
    assert config.folders[0].path == tmp_path / "in"
    assert config.folders[0].settle_s == 2.0


@pytest.mark.parametrize(
    ("text", "names"),
    [
        (SMALL.replace("name", "nmae"), ["site.nmae: no such key", "site.name: is missing"]),
        ('[site]\nname = "W"\ntime_zone = "Mars/Base"\n', ["site.time_zone", "Mars/Base"]),
        (SMALL + '[ledger]\nattempts = 0\nbackup = "x"\n', ["ledger.attempts", "ledger.backup"]),
        (SMALL + SOURCE + SOURCE.replace('"in"', '"out"'), ["two sources are named 'a'"]),
        (SMALL + SOURCE + SOURCE.replace('"a"', '"b"'), ["watch the same folder"]),
        (SMALL + SOURCE + "settle_s = -1\n", ["source.0", "settle_s", "-1"]),
        (SMALL + "[plan]\nopen_days = 0\n", ["plan.open_days"]),
        ("[site\n", ["not TOML"]),
        (b"\xff\xfe", ["not UTF-8"]),
    ],
)
def test_every_fault_is_named_with_its_key(
    tmp_path: Path, text: str | bytes, names: list[str]
) -> None:
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, text)
    for name in names:
        assert name in str(caught.value)
    assert FILE_NAME in str(caught.value)


def test_configuration_is_found_by_argument_environment_or_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("INGESTD_CONFIG", raising=False)
    monkeypatch.setattr("ingestd.config.configuration.SYSTEM_FILE", tmp_path / "etc" / FILE_NAME)
    with pytest.raises(ConfigError, match="no configuration found"):
        find_config(None)
    (tmp_path / FILE_NAME).write_text(SMALL)
    assert find_config(None) == Path(FILE_NAME)
    monkeypatch.setenv("INGESTD_CONFIG", "/elsewhere.toml")
    assert find_config(None) == Path("/elsewhere.toml")
    assert find_config(Path("given.toml")) == Path("given.toml")


def test_file_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="No such file"):
        load_config(tmp_path / "none.toml")
