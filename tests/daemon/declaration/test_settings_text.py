"""Settings of a program's own: what is wrong is said with key and line, also where a key is missing altogether."""

import pytest
from pydantic import BaseModel, ConfigDict

from laneproof.declaration.settings_text import SettingsError, parse_settings_text


class Wanted(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    urls: list[str]
    state: str = "/srv"


def test_every_problem_is_a_line_with_its_place_in_the_file() -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings_text(Wanted, "# one\nsate = 1\nstate = 2", name="notify.toml")
    assert str(caught.value).splitlines() == [
        "notify.toml: urls is missing",
        "notify.toml, line 3: state cannot be 2: input should be a valid string",
        "notify.toml, line 2: sate is not a key here; did you mean 'state'?",
    ]
