"""Drives and other devices: which appeared, went, moved, were replaced, or run another firmware.

Rules of this module: a drive is the same where model and serial number are. One whose serial number is not known is
taken for the one that was in its position, unless its model says otherwise, and that is reported as a gap. Other
devices have no serial number: the same vendor and device ids in the same position are the same.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from laneproof.box.inventory.inventory import KeptDevice, KeptPosition
from laneproof.box.placement import hangs_on_controller
from laneproof.changes.change import Change, Gap, Outcome, Pair, Topic, describe_difference, is_same_link
from laneproof.declaration.units import format_bytes, is_same_capacity

_Key = tuple[str | None, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceChanges:
    """What became of drives and other devices."""

    changes: tuple[Change, ...]
    gaps: tuple[Gap, ...]  # drives of which it is not known whether they are the same
    # drives that have another name of the kernel's now: position, old name, new name
    renamed: tuple[tuple[str, str, str], ...]
    unsteady: frozenset[str]  # paths with another device than before: their links are not one link at two times


def describe_device(device: KeptDevice) -> str:
    """Write who a device is: model, serial number, capacity, as far as they are known."""
    parts = [device.model or device.ids or f"a device of kind {device.kind or 'unknown'}"]
    if device.serial:
        parts.append(f"serial {device.serial}")
    if device.capacity_bytes is not None:
        parts.append(format_bytes(device.capacity_bytes))
    return ", ".join(parts)


def compare_devices(pair: Pair) -> DeviceChanges:
    """Compare what is in each position."""
    drives = _Drives(pair)
    drives.compare()
    others = _Others(pair, handled=drives.unsteady)
    changes = (*drives.changes, *others.compare())
    return DeviceChanges(
        changes=tuple(changes),
        gaps=tuple(drives.gaps),
        renamed=tuple(drives.renamed),
        unsteady=frozenset(drives.unsteady | others.unsteady),
    )


class _Drives:
    """The drives of both snapshots, matched by who they are."""

    def __init__(self, pair: Pair) -> None:
        self.pair = pair
        self.changes: list[Change] = []
        self.gaps: list[Gap] = []
        self.renamed: list[tuple[str, str, str]] = []
        self.unsteady: set[str] = set()
        self._before = self._select(pair.positions_before)
        self._after = self._select(pair.positions_after)

    def _select(self, positions: Mapping[str, KeptPosition]) -> dict[str, KeptDevice]:
        """Choose the positions with a drive that answers; without those of a group that one snapshot could not read."""
        if not self.pair.knows("places"):  # the name of the part in what is kept
            return {}
        knows_others = self.pair.knows("drives.other")
        return {
            path: position.occupant
            for path, position in positions.items()
            if position.occupant and position.occupant.drive and position.occupant.answers
            if knows_others or not hangs_on_controller(path)
        }

    def compare(self) -> None:
        """Match the drives, and note what became of each."""
        before, after = _index(self._before), _index(self._after)
        matched = before.keys() & after.keys()
        for key in sorted(matched, key=lambda key: after[key]):
            self._compare_drive(before[key], after[key])
        gone = {path: device for path, device in self._before.items() if _key(device) not in matched}
        came = {path: device for path, device in self._after.items() if _key(device) not in matched}
        for path in sorted(gone.keys() & came.keys()):
            self._settle_same_position(path, gone.pop(path), came.pop(path))
        for path, device in sorted(gone.items()):
            self._note_gone(path, device)
        for path, device in sorted(came.items()):
            text = describe_device(device)
            self._make_change(Outcome.APPEARED, path, f"{text} is new here", None, text)
        self.unsteady |= gone.keys() | came.keys()
        self.changes = [
            *_group_reflashed(self.changes),
            *(change for change in self.changes if change.what != Outcome.REFLASHED),
        ]

    def _compare_drive(self, old_path: str, new_path: str) -> None:
        old, new = self._before[old_path], self._after[new_path]
        if old_path != new_path:
            self._note_moved(old_path, new_path, new)
        elif old.name != new.name:
            self.renamed.append((self.pair.name_position(new_path), old.name, new.name))
        if old.firmware and new.firmware and old.firmware != new.firmware:
            self._make_change(
                Outcome.REFLASHED,
                new_path,
                f"{new.model or new.name} runs drive firmware {new.firmware}, before {old.firmware}",
                old.firmware,
                new.firmware,
            )
        sizes = old.capacity_bytes, new.capacity_bytes
        if sizes[0] is not None and sizes[1] is not None and not is_same_capacity(sizes[0], sizes[1]):
            texts = format_bytes(sizes[0]), format_bytes(sizes[1])
            self._make_change(
                Outcome.CHANGED, new_path, f"{describe_device(new)} shows {texts[1]}, before {texts[0]}", *texts
            )

    def _make_change(  # noqa: PLR0913 (what a change is)
        self,
        what: Outcome,
        path: str,
        summary: str,
        before: str | None = None,
        after: str | None = None,
        *,
        link_before: str | None = None,
    ) -> None:
        """Note a change; a link that was at `link_before`, and trained otherwise there, goes with it."""
        details = () if link_before is None else tuple(self._compare_link(link_before, path))
        name = self.pair.name_position(path)
        self.changes.append(Change(what, Topic.DRIVE, name, summary, before, after, path, details))

    def _compare_link(self, old_path: str, new_path: str) -> Iterator[Change]:
        positions = self.pair.positions_before.get(old_path), self.pair.positions_after.get(new_path)
        old, new = (position.trained if position else None for position in positions)
        if old is not None and new is not None and not is_same_link(old, new):
            name = self.pair.name_position(new_path)
            yield describe_difference(
                Outcome.RETRAINED, Topic.LINK, name, str(old), str(new), form="trained {}", path=new_path
            )

    def _note_moved(self, old_path: str, new_path: str, device: KeptDevice) -> None:
        self.unsteady |= {old_path, new_path}
        names = self.pair.name_position(old_path), self.pair.name_position(new_path)
        summary = f"{describe_device(device)} is here now, before in {names[0]}"
        self._make_change(Outcome.MOVED, new_path, summary, *names, link_before=old_path)

    def _settle_same_position(self, path: str, old: KeptDevice, new: KeptDevice) -> None:
        """Note what became of a position whose drive is not known to be the one before."""
        if _key(old) is not None and _key(old) == _key(new):  # two drives have this name; one of them was here before
            self._compare_drive(path, path)
            return
        same_model = old.model is None or new.model is None or old.model == new.model
        if (old.serial is None or new.serial is None) and same_model:
            side = "earlier" if old.serial is None else "later"
            why = f"it reported no serial number in the {side} snapshot, so it is taken for the same drive"
            name = self.pair.name_position(path)
            both = old.serial is None and new.serial is None
            self.gaps.append(Gap(part=f"who the drive in {name} is", why=why, one_sided=not both))
            return
        self.unsteady.add(path)
        texts = describe_device(old), describe_device(new)
        self._make_change(
            Outcome.REPLACED, path, f"{texts[1]} is here now, before {texts[0]}", *texts, link_before=path
        )

    def _note_gone(self, path: str, device: KeptDevice) -> None:
        position = self.pair.positions_after.get(path)
        silent = position is not None and position.occupant is not None and not position.occupant.answers
        tail = " (the kernel still lists it, but it does not answer)" if silent else ""
        self._make_change(Outcome.WENT, path, f"{describe_device(device)} is gone{tail}", describe_device(device))


def _key(device: KeptDevice) -> _Key | None:
    return (device.model, device.serial) if device.serial else None


def _index(drives: Mapping[str, KeptDevice]) -> dict[_Key, str]:
    """Give the path of each drive with a serial number of its own; one that two share names neither."""
    counts = Counter(key for drive in drives.values() if (key := _key(drive)))
    return {key: path for path, drive in drives.items() if (key := _key(drive)) and counts[key] == 1}


def _group_reflashed(changes: Iterable[Change]) -> Iterator[Change]:
    """Join the drives of one model that went from one firmware to another into one change."""
    groups: dict[str, list[Change]] = defaultdict(list)
    for change in changes:
        if change.what is Outcome.REFLASHED:
            groups[change.summary].append(change)
    for summary, members in groups.items():
        if len(members) == 1:
            yield members[0]
            continue
        first = members[0]
        yield replace(
            first,
            subject=f"{len(members)} drives",
            summary=f"each {summary}",
            path=None,
            details=tuple(
                replace(member, summary=f"firmware {member.after}, before {member.before}") for member in members
            ),
        )


class _Others:
    """Devices that store nothing: network cards, controllers, what the board carries."""

    def __init__(self, pair: Pair, *, handled: set[str]) -> None:
        self.pair = pair
        self.unsteady: set[str] = set()
        self._before = self._select(pair.positions_before, handled)
        self._after = self._select(pair.positions_after, handled)

    @staticmethod
    def _select(positions: Mapping[str, KeptPosition], handled: set[str]) -> dict[str, KeptDevice]:
        return {
            path: position.occupant
            for path, position in positions.items()
            if position.occupant and not position.occupant.drive and path not in handled
        }

    def compare(self) -> Iterator[Change]:
        """Give what became of them."""
        if not self.pair.knows("devices"):
            return
        if self.pair.before.devices is None or self.pair.after.devices is None:
            return  # an audit from before devices were kept
        gone = {path: device for path, device in self._before.items() if path not in self._after}
        came = {path: device for path, device in self._after.items() if path not in self._before}
        for path in sorted(self._before.keys() & self._after.keys()):
            old, new = self._before[path], self._after[path]
            if old.ids and new.ids and old.ids != new.ids:
                self.unsteady.add(path)
                summary = f"{describe_device(new)} is here now, before {describe_device(old)}"
                yield self._make_change(Outcome.REPLACED, path, summary, old, new)
        for ids in sorted({device.ids for device in gone.values() if device.ids}):
            from_, to = ([path for path, device in some.items() if device.ids == ids] for some in (gone, came))
            if len(from_) == len(to) == 1:
                self.unsteady |= {from_[0], to[0]}
                old, new = gone.pop(from_[0]), came.pop(to[0])
                summary = f"{describe_device(new)} is here now, before in {self.pair.name_position(from_[0])}"
                yield self._make_change(Outcome.MOVED, to[0], summary, old, new)
        for path, device in sorted(gone.items()):
            yield self._make_change(Outcome.WENT, path, f"{describe_device(device)} is gone", device, None)
        for path, device in sorted(came.items()):
            yield self._make_change(Outcome.APPEARED, path, f"{describe_device(device)} is new here", None, device)
        self.unsteady |= gone.keys() | came.keys()

    def _make_change(
        self, what: Outcome, path: str, summary: str, old: KeptDevice | None, new: KeptDevice | None
    ) -> Change:
        before, after = (describe_device(device) if device else None for device in (old, new))
        return Change(what, Topic.DEVICE, self.pair.name_position(path), summary, before, after, path)
