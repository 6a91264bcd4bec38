import pytest
from pydantic import ValidationError

from laneproof.declaration.desk_parts import NetworkPlan, ProcessorPlan, SupplyPlan, UplinkPlan


def test_supply_without_watts_is_no_supply() -> None:
    with pytest.raises(ValidationError):
        SupplyPlan.model_validate({})
    assert SupplyPlan.model_validate({"watts": 120}).watts == 120.0


def test_shared_link_is_told_by_its_bridge_or_by_its_positions() -> None:
    uplink = UplinkPlan.model_validate({"generation": 4, "lanes": 4, "path": "0000:00/01.2"})
    assert uplink.positions == ()
    assert UplinkPlan.model_validate({"positions": ["a"]}).path is None


def test_power_of_nothing_is_refused() -> None:
    with pytest.raises(ValidationError):
        ProcessorPlan.model_validate({"watts": 0})


def test_port_needs_a_name_alone() -> None:
    assert NetworkPlan.model_validate({"name": "enp1s0"}).speed_mbit_s is None
