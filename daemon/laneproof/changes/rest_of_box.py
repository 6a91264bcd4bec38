"""The rest of the box: arrays, memory and network."""

from collections.abc import Iterable, Iterator, Mapping

from laneproof.box.inventory.inventory import KeptArray, KeptBond, KeptInterface, KeptMember, KeptModule
from laneproof.changes.change import Change, Outcome, Pair, Topic, describe_difference, is_same, join_words
from laneproof.declaration.units import format_bytes, is_same_capacity


def _compare_names(
    about: Topic, before: Mapping[str, str], after: Mapping[str, str], *, where: str = ""
) -> Iterator[Change]:
    """Give what went and what appeared, by its name; each with what it is."""
    for name in sorted(before.keys() - after.keys()):
        yield Change(Outcome.WENT, about, name, f"{before[name]} is gone", before[name])
    for name in sorted(after.keys() - before.keys()):
        yield Change(Outcome.APPEARED, about, name, f"{after[name]} is new{where}", None, after[name])


# --- arrays -----------------------------------------------------------------------------------------------------------


def compare_arrays(pair: Pair) -> Iterator[Change]:
    """Compare arrays by name: which came and went, and what became of the others."""
    if pair.before.arrays is None or pair.after.arrays is None:
        return
    old, new = ({array.name: array for array in some.arrays or ()} for some in (pair.before, pair.after))
    texts = ({name: _describe_array(array) for name, array in some.items()} for some in (old, new))
    yield from _compare_names(Topic.ARRAY, *texts)
    for name in sorted(old.keys() & new.keys()):
        yield from _compare_array(pair, old[name], new[name])


def _describe_array(array: KeptArray) -> str:
    return f"{array.kind} array, {array.level or 'level unknown'}, {len(array.members)} members"


def _compare_array(pair: Pair, old: KeptArray, new: KeptArray) -> Iterator[Change]:
    about, name = Topic.ARRAY, new.name
    if old.level and new.level and old.level != new.level:
        yield describe_difference(Outcome.CHANGED, about, name, old.level, new.level, form="level {}")
    sizes = old.size_bytes, new.size_bytes
    if sizes[0] and sizes[1] and not is_same_capacity(sizes[0], sizes[1]):
        texts = format_bytes(sizes[0]), format_bytes(sizes[1])
        yield describe_difference(Outcome.CHANGED, about, name, *texts, form="holds {}")
    missing = old.missing_members, new.missing_members
    if missing[0] is not None and missing[1] is not None and missing[0] != missing[1]:
        was, now = (f"{count} missing" if count else "whole" for count in missing)
        yield describe_difference(Outcome.CHANGED, about, name, was, now)
    gone, came = _compare_members(old, new)
    left, joined = ([_name_member(pair, member) for member in some] for some in (gone, came))
    if left or joined:
        clauses = [f"{join_words(joined)} joined"] if joined else []
        clauses += [f"{join_words(left)} left"] if left else []
        yield Change(
            Outcome.CHANGED, about, name, ", ".join(clauses), ", ".join(left) or None, ", ".join(joined) or None
        )


def _compare_members(old: KeptArray, new: KeptArray) -> tuple[list[KeptMember], list[KeptMember]]:
    """Give the members that left and that joined, by serial number; by the kernel's name only where that is unknown."""
    before, after = ([member for member in array.members if not member.lost] for array in (old, new))
    serials = {member.serial for member in before if member.serial} & {
        member.serial for member in after if member.serial
    }
    left, joined = ([member for member in some if member.serial not in serials] for some in (before, after))
    unsure = {member.name for member in (*left, *joined) if not member.serial}
    same = unsure & {member.name for member in left} & {member.name for member in joined}
    return [member for member in left if member.name not in same], [
        member for member in joined if member.name not in same
    ]


def _name_member(pair: Pair, member: KeptMember) -> str:
    position = pair.name_position(member.path) if member.path else member.name
    return f"{position} (serial {member.serial})" if member.serial else position


# --- memory -----------------------------------------------------------------------------------------------------------


def compare_memory(pair: Pair) -> tuple[tuple[Change, ...], tuple[Change, ...]]:
    """Compare memory.

    Returns:
        Modules' rates, which the board's firmware decides; and the modules themselves.
    """
    old, new = pair.before.memory, pair.after.memory
    if old is None or new is None:
        return (), ()
    if old.modules is None or new.modules is None:
        total = old.total_bytes, new.total_bytes
        if total[0] is None or total[1] is None or is_same_capacity(total[0], total[1]):
            return (), ()
        texts = format_bytes(total[0], binary=True), format_bytes(total[1], binary=True)
        return (), (describe_difference(Outcome.CHANGED, Topic.MEMORY, "memory", *texts),)
    before, after = ({module.locator: module for module in some} for some in (old.modules, new.modules))
    return tuple(_compare_rates(before, after)), tuple(_compare_modules(before, after))


def _compare_rates(before: dict[str, KeptModule], after: dict[str, KeptModule]) -> Iterator[Change]:
    rates: dict[tuple[int, int], list[str]] = {}
    for locator in before.keys() & after.keys():
        old, new = before[locator].configured_mt_s, after[locator].configured_mt_s
        if old and new and old != new:
            rates.setdefault((old, new), []).append(locator)
    for (old, new), locators in sorted(rates.items()):
        summary = f"runs at {new} MT/s, before {old} MT/s ({', '.join(sorted(locators))})"
        yield Change(Outcome.SETTING, Topic.MEMORY, "memory", summary, f"{old} MT/s", f"{new} MT/s")


def _compare_modules(before: dict[str, KeptModule], after: dict[str, KeptModule]) -> Iterator[Change]:
    texts = ({locator: _module(module) for locator, module in some.items()} for some in (before, after))
    yield from _compare_names(Topic.MEMORY, *texts, where=" here")
    for locator in sorted(before.keys() & after.keys()):
        old, new = before[locator], after[locator]
        if not is_same((old.size_bytes, new.size_bytes), (old.part or None, new.part or None)):
            modules = _module(old), _module(new)
            yield describe_difference(Outcome.REPLACED, Topic.MEMORY, locator, *modules, form="{} is here now")


def _module(module: KeptModule) -> str:
    size = "a module" if module.size_bytes is None else f"a module of {format_bytes(module.size_bytes, binary=True)}"
    return f"{size} ({module.part})" if module.part else size


# --- network ----------------------------------------------------------------------------------------------------------


def compare_network(pair: Pair) -> Iterator[Change]:
    """Compare the speed of interfaces, and bonds; cards that come and go are devices."""
    if pair.before.interfaces is not None and pair.after.interfaces is not None:
        yield from _compare_interfaces(pair.before.interfaces, pair.after.interfaces)
    if pair.before.bonds is not None and pair.after.bonds is not None:
        yield from _compare_bonds(
            {bond.name: bond for bond in pair.before.bonds}, {bond.name: bond for bond in pair.after.bonds}
        )


def _compare_interfaces(before: Iterable[KeptInterface], after: Iterable[KeptInterface]) -> Iterator[Change]:
    by_path = {interface.path: interface for interface in before if interface.path}
    by_name = {interface.name: interface for interface in before}
    for interface in after:
        old = by_path.get(interface.path) if interface.path and by_path else by_name.get(interface.name)
        if old is None:
            continue
        if old.name != interface.name:
            where, form = f"interface at {interface.path}", "is called {} now"
            yield describe_difference(Outcome.CHANGED, Topic.NETWORK, where, old.name, interface.name, form=form)
        if old.speed_mbit_s and interface.speed_mbit_s and old.speed_mbit_s != interface.speed_mbit_s:
            texts = f"{old.speed_mbit_s} Mbit/s", f"{interface.speed_mbit_s} Mbit/s"
            yield describe_difference(Outcome.CHANGED, Topic.NETWORK, interface.name, *texts)


def _compare_bonds(before: dict[str, KeptBond], after: dict[str, KeptBond]) -> Iterator[Change]:
    old, new = ({name: _describe_bond(bond) for name, bond in some.items()} for some in (before, after))
    yield from _compare_names(Topic.NETWORK, old, new)
    for name in sorted(old.keys() & new.keys()):
        if old[name] != new[name]:
            yield describe_difference(Outcome.CHANGED, Topic.NETWORK, name, old[name], new[name])


def _describe_bond(bond: KeptBond) -> str:
    return f"bond in mode {bond.mode or 'unknown'} of {', '.join(bond.members) or 'no interface'}"
