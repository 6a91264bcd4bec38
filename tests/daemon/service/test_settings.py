"""The service's settings: all optional, and a wrong one is reported with its line and the nearest right one."""

import pytest

from laneproof.declaration.settings_text import SettingsError
from laneproof.service.settings import Settings, parse_listen, parse_settings, set_settings


def test_an_empty_file_is_all_defaults() -> None:
    assert parse_settings("", name="service.toml") == Settings()
    assert (Settings().address, Settings().port) == ("127.0.0.1", 7766)


def test_all_can_be_set() -> None:
    text = (
        'address = "::1"\nport = 8000\nstate = "/srv/laneproof"\nevidence = "/mnt/stick"\n'
        "[intervals]\nfunctions = 60\nthermal = 2.5\n"
    )
    settings = parse_settings(text, name="service.toml")
    assert (settings.address, settings.port) == ("::1", 8000)
    assert (settings.state, settings.evidence) == ("/srv/laneproof", "/mnt/stick")
    assert settings.intervals == {"functions": 60.0, "thermal": 2.5}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("# one\nprot = 1", "service.toml, line 2: prot is not a key here; did you mean 'port'?"),
        (
            "zzz = 1",
            "service.toml, line 1: zzz is not a key here; known here: address, port, state, evidence, names, ",
        ),
        ("port = 70000", "line 1: port cannot be 70000: input should be less than or equal to 65535"),
        ('port = "7766"', "line 1: port cannot be '7766': input should be a valid integer"),
        ("port = true", "line 1: port cannot be True"),
        ('address = ""', "line 1: address cannot be ''"),
        ("intervals = 5", "line 1: intervals cannot be 5"),
        ("[intervals]\nfunctoins = 5", "intervals.functoins is no collector; did you mean 'functions'?"),
        ("[intervals]\nzzz = 5", "intervals.zzz is no collector; known here: functions, controllers, "),
        ("[intervals]\nfunctions = 0.5", "intervals.functions must be 1 to 86400 seconds, and is 0.5"),
        ("[intervals]\nfunctions = nan", "intervals.functions must be 1 to 86400 seconds, and is nan"),
        ("[intervals]\nfunctions = inf", "must be 1 to 86400 seconds, and is inf"),
        ("port = ", "service.toml: this is not TOML: "),
        ("port = " + "[" * 5000, "service.toml: this is not TOML"),
        ("port = " + "9" * 5000, "service.toml: this is not TOML"),
    ],
)
def test_what_may_not_be_said_is_reported_in_a_line(text: str, says: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(text, name="service.toml")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_every_problem_is_reported_at_once() -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings("port = -1\nprot = 1\n", name="s")
    assert len(str(caught.value).splitlines()) == 2


@pytest.mark.parametrize(
    ("text", "listen"),
    [
        ("127.0.0.1:80", ("127.0.0.1", 80)),
        ("[::1]:7766", ("::1", 7766)),
        (":8080", ("127.0.0.1", 8080)),
        ("localhost:0", ("localhost", 0)),
        ("kelp-1:65535", ("kelp-1", 65535)),
    ],
)
def test_an_address_and_a_port(text: str, listen: tuple[str, int]) -> None:
    assert parse_listen(text) == listen


@pytest.mark.parametrize("text", ["", "7766", "host", "host:", "host:x", "host:65536", "host:-1", "::1:80", "h:²"])
def test_what_is_no_address_and_port_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(SettingsError, match=r"write it as 127\.0\.0\.1:7766"):
        parse_listen(text)


def test_a_key_is_set_and_every_other_word_stays() -> None:
    text = "# mine\nport = 7800  # not 7766\n\n[intervals]  # slower\nfunctions = 30\n"
    changed = set_settings(text, port=7900, address="::1")
    assert changed == '# mine\nport = 7900  # not 7766\naddress = "::1"\n\n[intervals]  # slower\nfunctions = 30\n'
    assert parse_settings(changed, name="changed").port == 7900
    assert set_settings("# nothing yet\n", evidence="/mnt/stick") == '# nothing yet\nevidence = "/mnt/stick"\n'
