"""The collectors' facts as JSON, for the comparison with other tools outside the machine."""

import dataclasses
from collections.abc import Mapping
from contextlib import closing
from typing import Any

from laneproof_collectors import firmware, power_settings
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.nvme.controllers import read_controllers
from laneproof_collectors.pcie.functions import read_functions
from laneproof_collectors.pcie.slots import read_slots
from laneproof_collectors.unread import Unread


def plain(value: Any) -> Any:  # noqa: ANN401 (facts of any kind)
    """Turn facts into JSON values; an `Unread` becomes ``{"unread": its sentence}``, so that it equals no number."""
    match value:
        case Unread():
            return {"unread": str(value)}
        case Mapping():
            return {str(key): plain(one) for key, one in value.items()}
        case tuple() | list():
            return [plain(part) for part in value]
        case _ if dataclasses.is_dataclass(value):
            return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    return value


def read_facts() -> dict[str, Any]:
    """Ask the live machine through the collectors whose every field has a second witness."""
    with closing(LiveHost()) as host:
        functions = read_functions(host)
        controllers = read_controllers(host)
        assert not isinstance(functions, Unread)
        assert not isinstance(controllers, Unread)
        return {
            "functions": plain(functions),
            "paths": {function.address: [function.own_path, function.path] for function in functions},
            "slots": plain(read_slots(host)),
            "controllers": plain(controllers),
            "capacities": {controller.name: controller.capacity_bytes for controller in controllers},
            "power": plain(power_settings.read_power(host)),
            "firmware": plain(firmware.read_firmware(host)),
        }


def read_whole_box() -> dict[str, Any]:
    """Read what a box has besides links and drives."""
    from laneproof_collectors import arrays, memory, network  # noqa: PLC0415 (only here)

    with closing(LiveHost()) as host:
        return {
            "arrays": plain(arrays.read_arrays(host)),
            "interfaces": plain(network.read_interfaces(host)),
            "bonds": plain(network.read_bonds(host)),
            "memory": plain(memory.read_memory(host)),
        }


def read_everything() -> dict[str, Any]:
    """Run a whole pass, all collectors together, as the program does."""
    from laneproof_collectors.collection import make_collectors, read_snapshot  # noqa: PLC0415 (all collectors)

    with closing(LiveHost()) as host:
        return {"snapshot": plain(read_snapshot(host, make_collectors()))}
