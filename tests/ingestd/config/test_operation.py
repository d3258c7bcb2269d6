"""What the sections of operation refuse, with the key and what to write instead."""

from datetime import time
from pathlib import Path

import pytest

from ingestd.config import FILE_NAME, load_config
from ingestd.config.operation import WebSection, host_and_port, quiet_span
from ingestd.errors import ConfigError

SMALL = '[site]\nname = "Works"\ntime_zone = "Etc/UTC"\n'
MAIL = '[notices.mail]\nhost = "h"\nsender = "a@b"\nto = ["c@d"]\n'
HOOK = '[notices.webhook]\nurl = "https://h/x"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[service]\nmetrics = "9464"\n', "give HOST:PORT, as 127.0.0.1:9464"),
        ('[service]\nmetrics = "127.0.0.1:http"\n', "give HOST:PORT"),
        ('[service]\nmetrics = "127.0.0.1:70000"\n', "a port is a number from 0 to 65535"),
        ('[service]\nmetrics = "192.0.2.7:9464"\n', "only an address of this computer"),
        (MAIL.replace("a@b", "a b"), "'a b' is no plain address"),
        (MAIL.replace("c@d", "c@d>,<e@f"), "is no plain address"),
        (MAIL + 'account = "ann"\n', "account and its password"),
        (MAIL + 'credential = "mail"\n', "account and its password"),
        (
            MAIL + 'account = "ann"\ncredential = "m"\npassword_file = "p"\n',
            "give password_file or credential, not both",
        ),
        (
            MAIL + 'account = "ann"\ncredential = "m"\ntls = "none"\n',
            "a password is never sent without TLS",
        ),
        (HOOK, "name secret_file or credential: notices are always signed"),
        (
            HOOK + 'secret_file = "s"\ncredential = "c"\n',
            "give secret_file or credential, not both",
        ),
        (HOOK.replace("https", "http") + 'credential = "c"\n', "give an https address"),
        (HOOK.replace("//h", "//a:b@h") + 'credential = "c"\n', "no account or password in the"),
        (HOOK.replace("//h/x", "//") + 'credential = "c"\n', "give an https address"),
        ('[notices]\nquiet_hours = "20-06"\n', 'give HH:MM-HH:MM, as "20:00-06:30"'),
        ('[notices]\nquiet_hours = "20:00-25:00"\n', "hours go from 00 to 23"),
        ('[notices]\nquiet_hours = "20:00-20:00"\n', "begin and end are the same"),
    ],
)
def test_fault_is_named_with_its_key_and_what_to_write(
    tmp_path: Path, text: str, said: str
) -> None:
    path = tmp_path / FILE_NAME
    path.write_text(SMALL + text)
    with pytest.raises(ConfigError) as caught:
        load_config(path)
    assert said in str(caught.value)
    section = text.partition("]")[0].removeprefix("[")
    assert section in str(caught.value)


def test_good_sections_are_taken(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME
    path.write_text(
        SMALL
        + '[service]\nmetrics = "[::1]:9464"\n[notices]\nquiet_hours = "20:00-06:30"\n'
        + MAIL
        + 'account = "ann"\ncredential = "mail"\n'
        + HOOK.replace("https://h", "http://localhost:8000")
        + 'secret_file = "s"\n'
    )
    config = load_config(path)
    assert host_and_port(config.service.metrics) == ("::1", 9464)
    assert quiet_span(config.notices.quiet_hours) == (time(20), time(6, 30))
    assert config.notices.mail is not None
    assert config.notices.mail.account == "ann"
    assert config.notices.webhook is not None


def test_page_answers_to_the_names_of_this_computer_and_those_it_is_given() -> None:
    section = WebSection(host="192.0.2.7", hosts=("Lab.Example",))
    assert section.names == {"127.0.0.1", "::1", "localhost", "192.0.2.7", "lab.example"}
