"""Faults of the folder, the file and the clock, each tried many times at random moments; nothing may be lost.

Run as ``python -m support.tried_faults [TIMES [SEED]]`` with ``tests`` on the path, as root where the folder is to be
full or read-only for true (a small tmpfs is mounted, in a mount namespace of its own). Prints a line a fault.
"""

import contextlib
import ctypes
import logging
import os
import random
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from laneproof.commands.serve import go_on
from laneproof.history.database import RETRY_AFTER_WRITES
from laneproof.history.store import Store
from support.killed_writer import Steps, check, check_file

_CLONE_NEWNS, _MS_RDONLY, _MS_REMOUNT, _MS_BIND, _MS_REC, _MS_PRIVATE = 0x20000, 1, 32, 4096, 16384, 1 << 18
"""Source: linux/sched.h, linux/mount.h."""
_LIBC = ctypes.CDLL(None, use_errno=True)
NAME = "history.db"
Fault = Callable[[Path, Steps, random.Random], None]


def _call(what: str, done: int) -> None:
    if done:
        raise OSError(ctypes.get_errno(), what)


@contextmanager
def small_folder(parent: Path) -> Iterator[Path]:
    """Mount a small file system."""
    folder = Path(tempfile.mkdtemp(dir=parent))
    _call("mount", _LIBC.mount(b"none", bytes(folder), b"tmpfs", 0, b"size=1500k"))
    try:
        yield folder
    finally:
        _call("umount", _LIBC.umount(bytes(folder)))


# --- faults, while the history is written -----------------------------------------------------------------------------


def remove(folder: Path, _: Steps, chance: random.Random) -> None:
    """Remove the file, or it with all beside it, or the folder."""
    match chance.randrange(3):
        case 0:
            (folder / NAME).unlink()
        case 1:
            for file in folder.iterdir():
                file.unlink()
        case _:
            shutil.rmtree(folder)


def replace(folder: Path, _: Steps, __: random.Random) -> None:
    """Put another history in its place."""
    other = Store.open(str(folder / "other"))
    other.close()
    (folder / "other").rename(folder / NAME)


def step_clock(_: Path, steps: Steps, chance: random.Random) -> None:
    """Set the clock, by a second to some years, on or back."""
    steps.passes.t += chance.choice((-1, 1)) * 10.0 ** chance.uniform(0, 8)


def fill(folder: Path, _: Steps, __: random.Random) -> None:
    """Leave no byte free."""
    with contextlib.suppress(OSError), (folder / "filler").open("wb", buffering=0) as out:
        while True:
            out.write(bytes(512))


def empty(folder: Path) -> None:
    """Make room again."""
    (folder / "filler").unlink(missing_ok=True)


def try_while_written(parent: Path, times: int, seed: int, fault: Fault, *, small: bool = False) -> str:
    """Let a fault come while the history is written, go on, and hold that nothing is missing in the end."""
    chance, steps, in_memory = random.Random(seed), 0, 0
    for _ in range(times):
        where = small_folder(parent) if small else contextlib.nullcontext(Path(tempfile.mkdtemp(dir=parent)))
        with where as folder:
            store = Store.open(str(folder / NAME))
            taken = Steps(store)
            for _ in range(chance.randrange(1, 12)):
                taken.take()
            fault(folder, taken, chance)
            for _ in range(chance.randrange(1, 12)):
                taken.take()
            in_memory += store.in_memory
            empty(folder)
            for _ in range(RETRY_AFTER_WRITES):
                last = taken.take()
            check(store, last)
            store.close()
            check_file(folder / NAME, last)
            steps += last
    meanwhile = f", kept in memory meanwhile in {in_memory}" if in_memory else ""
    return f"{times} tried{meanwhile}, {steps} steps, nothing lost, raised twice or forgotten"


# --- faults at the start ----------------------------------------------------------------------------------------------


def damage(file: Path, chance: random.Random) -> None:
    """Spoil some bytes, or cut the file."""
    content = bytearray(file.read_bytes())
    at = chance.randrange(len(content))
    if chance.random() < 0.2:
        file.write_bytes(content[:at])
        return
    for _ in range(chance.randrange(1, 4)):
        at, length = chance.randrange(len(content)), 2 ** chance.randrange(13)
        content[at : at + length] = chance.randbytes(len(content[at : at + length]))
    file.write_bytes(content)


def make_newer(file: Path, chance: random.Random) -> None:
    """Let it be of a version that nobody knows yet."""
    with contextlib.closing(sqlite3.connect(file)) as connection:
        connection.execute(f"PRAGMA user_version = {chance.randrange(100, 200)}")


def try_at_start(parent: Path, times: int, seed: int, fault: Callable[[Path, random.Random], None]) -> str:
    """Let a fault be there at the start: it goes on, and what cannot be used is set aside whole."""
    chance, aside = random.Random(seed), 0
    for _ in range(times):
        folder = Path(tempfile.mkdtemp(dir=parent))
        with contextlib.closing(Store.open(str(folder / NAME))) as store:
            taken = Steps(store)
            for _ in range(5):
                taken.take()
        fault(folder / NAME, chance)
        spoilt = (folder / NAME).read_bytes()
        with contextlib.closing(Store.open(str(folder / NAME))) as store:
            engine, _ = go_on(store)
            assert not store.in_memory
            store.add_pass(engine.observe(Steps(store).passes.take().snapshot))
            store.flush()
        if kept := list(folder.glob("*set-aside-1")):
            aside += 1
            assert kept[0].read_bytes() == spoilt or not spoilt
    return f"{times} tried, it went on each time; {aside} set aside whole"


def try_read_only(parent: Path, times: int, seed: int) -> str:
    """Let the folder be read-only at the start, and writable later."""
    chance, steps = random.Random(seed), 0
    for _ in range(times):
        folder = Path(tempfile.mkdtemp(dir=parent))
        path = bytes(folder)
        _call("bind", _LIBC.mount(path, path, None, _MS_BIND, None))
        try:
            _call("remount", _LIBC.mount(None, path, None, _MS_REMOUNT | _MS_BIND | _MS_RDONLY, None))
            store = Store.open(str(folder / NAME))
            assert store.in_memory
            taken = Steps(store)
            for _ in range(chance.randrange(1, 12)):
                taken.take()
        finally:
            _call("umount", _LIBC.umount(path))
        for _ in range(RETRY_AFTER_WRITES):
            last = taken.take()
        store.close()
        check_file(folder / NAME, last)
        steps += last
    return f"{times} tried, {steps} steps, nothing lost, raised twice or forgotten"


def run(folder: Path, times: int, seed: int, *, mounts: bool) -> Iterator[tuple[str, str]]:
    """Try all faults; gives a line each."""
    yield "removed while written", try_while_written(folder, times, seed, remove)
    yield "replaced while written", try_while_written(folder, times, seed, replace)
    yield "clock set", try_while_written(folder, times, seed, step_clock)
    yield "damaged at the start", try_at_start(folder, times, seed, damage)
    yield "of a later version", try_at_start(folder, times, seed, make_newer)
    if mounts:
        _call("unshare", _LIBC.unshare(_CLONE_NEWNS))
        _call("private", _LIBC.mount(None, b"/", None, _MS_REC | _MS_PRIVATE, None))
        yield "full while written", try_while_written(folder, times, seed, fill, small=True)
        yield "read-only at the start", try_read_only(folder, times, seed)


if __name__ == "__main__":
    logging.disable()
    with tempfile.TemporaryDirectory() as made:
        arguments = [int(text) for text in sys.argv[1:]]
        wanted, chosen = ([*arguments, 100, 1] if not arguments else [*arguments, 1])[:2]
        for name, outcome in run(Path(made), wanted, chosen, mounts=os.geteuid() == 0):
            sys.stdout.write(f"{name}: {outcome}\n")
            sys.stdout.flush()
