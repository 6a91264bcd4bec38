"""Links and the ports above them: what a port was set to or can do, how slots are split, and what trained otherwise.

Rules of this module: a link that trained otherwise because its port was set otherwise stands below that setting. What
left because its port is no longer there stands below the split. Ports that went or came elsewhere (with a card) are the
card's matter.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from operator import attrgetter

from laneproof.box.inventory.inventory import KeptLink, KeptPort
from laneproof.box.link_rates import describe_rate
from laneproof.changes.change import Change, Outcome, Pair, Topic, describe_difference, is_same_link, join_words


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkChanges:
    """What became of ports and links."""

    by_firmware: tuple[Change, ...]  # what the board's firmware decides: splits, and what ports can do, aim at or allow
    trained: tuple[Change, ...]  # links that trained otherwise for no reason that shows at their port
    devices: tuple[Change, ...]  # the devices' changes, without those that went with a split


def compare_links(pair: Pair, devices: tuple[Change, ...], unsteady: frozenset[str]) -> LinkChanges:
    """Compare ports and links, but for paths at which another device is than before."""
    if not pair.knows("ports"):
        return LinkChanges(by_firmware=(), trained=(), devices=devices)
    retrained = {change.path: change for change in _compare_trained(pair, unsteady)}
    ports = {port.path: port for port in pair.before.ports or ()}, {port.path: port for port in pair.after.ports or ()}
    splits, devices = _join_with_splits(list(_compare_splits(pair, *ports)), devices, *ports)
    split_paths = {path for split in splits for path in (*ports[0], *ports[1]) if _root_device(path) == split.path}
    settings = [
        setting
        for path in sorted(ports[0].keys() & ports[1].keys())
        for setting in _compare_port(pair, ports[0][path], ports[1][path], resplit=path in split_paths)
    ]
    settings = list(_join_retrained(settings, retrained))
    grouped = tuple(_group_settings(settings))
    return LinkChanges(by_firmware=(*splits, *grouped), trained=tuple(retrained.values()), devices=devices)


# --- what trained otherwise -------------------------------------------------------------------------------------------


def _compare_trained(pair: Pair, unsteady: frozenset[str]) -> Iterator[Change]:
    for path in sorted(pair.positions_before.keys() & pair.positions_after.keys() - unsteady):
        old, new = pair.positions_before[path], pair.positions_after[path]
        if old.trained is None or new.trained is None or is_same_link(old.trained, new.trained):
            continue
        texts = str(old.trained), str(new.trained)
        able = new.capable
        tail = f"; both ends can do {able}" if able and not is_same_link(able, new.trained) else ""
        summary = f"trained {texts[1]}, before {texts[0]}{tail}"
        yield Change(Outcome.RETRAINED, Topic.LINK, pair.name_position(path), summary, *texts, path)


# --- what a port was set to -------------------------------------------------------------------------------------------


def _compare_port(pair: Pair, old: KeptPort, new: KeptPort, *, resplit: bool) -> Iterator[Change]:
    rates = _rate(old.target_transfers_per_second), _rate(new.target_transfers_per_second)
    yield from _compare_setting(pair, new.path, "target rate", rates)
    able = [
        (_rate(port.capable.transfers_per_second), port.capable.lanes) if port.capable else (None, None)
        for port in (old, new)
    ]
    yield from _compare_setting(pair, new.path, "highest rate of the port", (able[0][0], able[1][0]))
    if not resplit:
        lanes = [None if port[1] is None else f"x{port[1]}" for port in able]
        yield from _compare_setting(pair, new.path, "lanes of the port", (lanes[0], lanes[1]))
    states = old.low_power_states, new.low_power_states
    yield from _compare_setting(pair, new.path, "low-power link states (ASPM) at the port", states)


def _rate(transfers_per_second: float | None) -> str | None:
    return None if transfers_per_second is None else describe_rate(transfers_per_second / 1e9)


def _compare_setting(pair: Pair, path: str, name: str, values: tuple[str | None, str | None]) -> Iterator[Change]:
    before, after = values
    if before is None or after is None or before == after:
        return
    subject, form = pair.name_position(path), f"{name} {{}}"
    yield describe_difference(Outcome.SETTING, Topic.SETTING, subject, before, after, form=form, path=path)


_DECIDES_RATE, _DECIDES_LANES = ("target rate", "highest rate"), ("lanes of",)


def _join_retrained(settings: list[Change], retrained: dict[str | None, Change]) -> Iterator[Change]:
    """Hang each link that trained otherwise below the setting of its port that explains all of it."""
    by_path: dict[str | None, list[Change]] = defaultdict(list)
    for setting in settings:
        by_path[setting.path].append(setting)
    for path, own in by_path.items():
        link = retrained.get(path)
        chosen = _find_reason(link, own) if link else None
        if chosen is not None:
            del retrained[path]
        for setting in own:
            yield replace(setting, details=(link,)) if setting is chosen and link else setting


def _find_reason(link: Change, settings: list[Change]) -> Change | None:
    before, after = ((text or "").split() for text in (link.before, link.after))
    needed = []
    if before[:1] != after[:1]:
        needed.append(next((setting for setting in settings if setting.summary.startswith(_DECIDES_RATE)), None))
    if before[-1:] != after[-1:]:
        needed.append(next((setting for setting in settings if setting.summary.startswith(_DECIDES_LANES)), None))
    return needed[0] if needed and all(needed) else None


def _group_settings(settings: Iterable[Change]) -> Iterator[Change]:
    """Join the same setting at several ports into one change."""
    groups: dict[str, list[Change]] = defaultdict(list)
    for setting in settings:
        groups[setting.summary].append(setting)
    for summary, members in groups.items():
        if len(members) == 1:
            yield members[0]
            continue
        names = join_words(member.subject for member in members)
        links = tuple(link for member in members for link in member.details)
        yield replace(members[0], subject=names, summary=summary, path=None, details=links)


# --- how a slot is split ----------------------------------------------------------------------------------------------


def _root_device(path: str) -> str | None:
    """Give the device of a root port without its function: the branches of a split slot share it (common practice)."""
    root, *hops = path.split("/")
    return f"{root}/{hops[0].partition('.')[0]}" if len(hops) == 1 else None


def _compare_splits(pair: Pair, before: Mapping[str, KeptPort], after: Mapping[str, KeptPort]) -> Iterator[Change]:
    devices = sorted({device for path in (*before, *after) if (device := _root_device(path))})
    for device in devices:
        old, new = ([port for path, port in ports.items() if _root_device(path) == device] for ports in (before, after))
        if not old or not new or {port.path for port in old} == {port.path for port in new}:
            continue
        texts = _describe_split(old), _describe_split(new)
        labels = [pair.name_position(port.path) for port in old if pair.name_position(port.path) != port.path]
        which = f" ({', '.join(labels)})" if labels else ""
        summary = f"ports {texts[1]}, before {texts[0]}{which}"
        yield Change(Outcome.SETTING, Topic.SETTING, f"slot at {device}", summary, *texts, device)


def _describe_split(ports: Iterable[KeptPort]) -> str:
    return " ".join(f"x{_lanes(port.capable) or '?'}" for port in sorted(ports, key=attrgetter("path")))


def _lanes(link: KeptLink | None) -> int | None:
    return link.lanes if link else None


def _join_with_splits(
    splits: list[Change], devices: tuple[Change, ...], before: Mapping[str, KeptPort], after: Mapping[str, KeptPort]
) -> tuple[list[Change], tuple[Change, ...]]:
    """Hang what went with its port, or came with it, below the split."""
    taken: dict[str, list[Change]] = defaultdict(list)
    left = []
    for change in devices:
        port = "/".join((change.path or "").split("/")[:2])
        lost = change.what is Outcome.WENT and port in before and port not in after
        won = change.what is Outcome.APPEARED and port in after and port not in before
        device = _root_device(port)
        if (lost or won) and device and any(split.path == device for split in splits):
            taken[device].append(change)
        else:
            left.append(change)
    return [replace(split, details=tuple(taken[split.path or ""])) for split in splits], tuple(left)
