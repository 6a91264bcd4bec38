"""Every document that is served keeps to the OpenAPI document that is served beside it; schemathesis asks for them."""

import re
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from jsonschema import Draft202012Validator

from laneproof.commands.serve import make_recording_daemon
from laneproof.service.access import Access
from laneproof.service.api_schema import make_openapi
from laneproof.service.http import Pages
from laneproof.service.listener import Server


@pytest.fixture(scope="module")
def served() -> Iterator[schemathesis.BaseSchema]:
    """Give the demo as it is served, with all its past."""
    daemon, past = make_recording_daemon(None, None, None)
    loop = threading.Thread(target=daemon.run)
    loop.start()
    while daemon.status.last_pass is None and loop.is_alive():
        time.sleep(0.05)
    server = Server("127.0.0.1", 0, Pages(lambda: daemon.status, past=past), Access("127.0.0.1"))
    server.start()
    yield schemathesis.openapi.from_url(f"http://127.0.0.1:{server.port}/api/v1/openapi.json")
    server.close()
    daemon.stop()
    loop.join()
    daemon.close()


@pytest.mark.parametrize("path", list(make_openapi()["paths"]))
def test_what_is_served_keeps_to_its_schema_whatever_is_asked(served: schemathesis.BaseSchema, path: str) -> None:
    operation = served[path]["GET"]

    @given(case=operation.as_strategy())
    @settings(max_examples=20, suppress_health_check=list(HealthCheck))
    def check(case: schemathesis.Case[Any]) -> None:
        case.call_and_validate()

    check()


def test_each_name_in_a_path_is_a_parameter_of_it() -> None:
    """OpenAPI 3.1.0, "Path Templating"."""
    for path, item in make_openapi()["paths"].items():
        named = {parameter["name"] for parameter in item["get"]["parameters"] if parameter["in"] == "path"}
        assert named == set(re.findall(r"{(\w+)}", path)), path


@pytest.mark.parametrize("name", ["riser-3", "FP4K-26A-0317", "md0", "nvme2"])
def test_a_position_is_found_by_any_of_its_names_and_is_given_with_its_past(
    served: schemathesis.BaseSchema, name: str
) -> None:
    operation = served["/api/v1/positions/{name}"]["GET"]
    case = operation.Case(path_parameters={"name": name}, query={"since": "2026-10-01T00:00:00Z"})
    document = case.call_and_validate().json()
    assert document["charts"]
    if name == "riser-3":
        assert {finding["rule"] for finding in document["findings"]} >= {"link-narrow", "signal-errors"}
        assert document["now"]["occupant"]["serial"] == document["drive"] == "FP4K-26A-0317"


def test_episodes_and_old_changes_are_read_from_the_past(served: schemathesis.BaseSchema) -> None:
    episodes = served["/api/v1/episodes"]["GET"].Case().call_and_validate().json()["episodes"]
    assert {episode["position"] for episode in episodes} == {"riser-2", "riser-3"}
    later = served["/api/v1/episodes"]["GET"].Case(query={"since": "2026-09-11T00:00:00Z"}).call().json()["episodes"]
    assert {episode["position"] for episode in later} == {"riser-3"}
    changes = served["/api/v1/changes"]["GET"]
    every = changes.Case(query={"since": "2026-05-12T00:00:00Z"}).call_and_validate().json()["changes"]
    assert every == sorted(every, key=lambda change: -change["t"])
    assert every[-1]["at"] == "2026-06-01T14:15:54Z"


def test_a_schema_finds_a_key_that_is_missing_or_too_many(served: schemathesis.BaseSchema) -> None:
    document = make_openapi()
    schemas = {"components": document["components"]}
    validator = Draft202012Validator({"$ref": "#/components/schemas/CasesReport"} | schemas)
    cases = served["/api/v1/cases"]["GET"].Case().call().json()
    assert validator.is_valid(cases)
    assert not validator.is_valid(cases | {"more": 1})
    assert not validator.is_valid({key: value for key, value in cases.items() if key != "box"})
