"""A kernel for the emulated machine: the distribution's own package, unpacked into a cache, never installed.

The cache is ``$LANEPROOF_CACHE`` or ``.cache`` in the checkout; a kernel found there is used as it is, without network.
"""

import fcntl
import gzip
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parents[2]
META_PACKAGE = "linux-image-amd64"
KERNEL_PACKAGE = re.compile(r"Depends: (linux-image-\d\S*-amd64)")

# Between the kernel and the host's files stand the virtual PCI transport, the shared file system, the overlay on it.
SHARED_ROOT_MODULES = ("virtio_pci", "9pnet_virtio", "9p", "overlay")

_INIT_START = """\
#!/busybox sh
/busybox mkdir -p /proc /dev /host /over /new
/busybox mount -t proc proc /proc
/busybox mount -t devtmpfs dev /dev
for module in /modules/*.ko; do /busybox insmod "$module" || echo "guest: $module did not load"; done
"""

# The overlay keeps what the guest writes in its own memory; the host's files are never written.
SHARED_ROOT_INIT = (
    _INIT_START
    + """\
/busybox mount -t 9p -o trans=virtio,version=9p2000.L,ro,cache=loose,msize=512000 hostroot /host
/busybox mount -t tmpfs over /over
/busybox mkdir /over/upper /over/work
/busybox mount -t overlay -o lowerdir=/host,upperdir=/over/upper,workdir=/over/work over /new
/busybox umount /proc
exec /busybox switch_root /new /bin/sh "$GUEST_START"
"""
)

# The disk's driver probes in the background: wait until the disk is there.
_WAIT_FOR_DISK = """\
tries=0
until [ -b /dev/vda ] || [ $tries -ge 100 ]; do tries=$((tries + 1)); /busybox sleep 0.1; done
"""

# Likewise, but what the guest writes outlives it on a disk of its own.
KEPT_ROOT_MODULES = (*SHARED_ROOT_MODULES, "virtio_blk", "crc32c_generic", "ext4")
KEPT_ROOT_INIT = SHARED_ROOT_INIT.replace(
    "/busybox mount -t tmpfs over /over\n", f"{_WAIT_FOR_DISK}/busybox mount -t ext4 /dev/vda /over\n"
).replace("/busybox mkdir /over", "/busybox mkdir -p /over")


class KernelUnavailableError(Exception):
    """No kernel could be had; the message says why."""


@dataclass(frozen=True, slots=True)
class Kernel:
    """An unpacked kernel package."""

    folder: Path
    version: str

    @property
    def image(self) -> Path:
        return self.folder / "boot" / f"vmlinuz-{self.version}"

    @property
    def modules(self) -> Path:
        return self.folder / "lib" / "modules" / self.version

    def initial_ram_disk(self, name: str, modules: tuple[str, ...], init: str) -> Path:
        """Make the first root file system (busybox, modules, `init`), or give the one made before."""
        disk = self.folder / f"{name}.cpio.gz"
        stamp = self.folder / f"{name}.init"
        wanted = f"{modules}\n{init}"
        if not (disk.exists() and stamp.exists() and stamp.read_text() == wanted):
            with tempfile.TemporaryDirectory(dir=self.folder) as scratch:
                _fill(Path(scratch), [path for module in modules for path in self._files_of(module)], init)
                archive = _archive(Path(scratch))
            _replace(disk, gzip.compress(archive, compresslevel=1))
            _replace(stamp, wanted.encode())
        return disk

    def _files_of(self, module: str) -> list[Path]:
        """List a module's file after those it needs, in the order in which they load."""
        shown = _run("modprobe", "-d", str(self.folder), "-S", self.version, "--show-depends", module)
        return [Path(line.split()[1]) for line in shown.splitlines() if line.startswith("insmod ")]


def _fill(root: Path, modules: list[Path], init: str) -> None:
    busybox = shutil.which("busybox")
    if not busybox:
        raise KernelUnavailableError("busybox is not installed (package busybox-static)")
    shutil.copy(busybox, root / "busybox")
    (root / "modules").mkdir()
    for number, module in enumerate(dict.fromkeys(modules)):
        shutil.copy(module, root / "modules" / f"{number:02}-{module.name}")
    (root / "init").write_text(init)
    (root / "init").chmod(0o755)


def _archive(root: Path) -> bytes:
    names = "\n".join(str(path.relative_to(root)) for path in sorted(root.rglob("*")))
    command = ["cpio", "--quiet", "-o", "-H", "newc"]
    return subprocess.run(command, cwd=root, input=names.encode(), stdout=subprocess.PIPE, check=True).stdout


def _replace(path: Path, content: bytes) -> None:
    beside = path.with_name(f"{path.name}.{os.getpid()}")
    beside.write_bytes(content)
    beside.rename(path)


def cache_folder() -> Path:
    """Give the folder that downloads and images are kept in."""
    folder = Path(os.environ.get("LANEPROOF_CACHE") or CHECKOUT / ".cache").resolve()
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@contextmanager
def only_one(name: str) -> Iterator[Path]:
    """Hold a name in the cache, so that two test runs do not make the same thing at once."""
    folder = cache_folder()
    with (folder / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield folder / name


def find_kernel() -> Kernel:
    """Give the kernel in the cache, fetching and unpacking the package where there is none yet."""
    with only_one("kernel") as folder:
        for image in sorted(folder.glob("*/boot/vmlinuz-*")):
            return Kernel(image.parents[1], image.name.removeprefix("vmlinuz-"))
        return _fetch(folder)


def _fetch(folder: Path) -> Kernel:
    described = _run("apt-cache", "depends", META_PACKAGE)
    if not (match := KERNEL_PACKAGE.search(described)):
        raise KernelUnavailableError(f"apt knows no package {META_PACKAGE} (its lists may be missing: apt-get update)")
    package = match[1]
    version = package.removeprefix("linux-image-")
    folder.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder, prefix=".unpack-") as scratch:
        _run("apt-get", "-q", "download", package, folder=Path(scratch))
        (archive,) = Path(scratch).glob("*.deb")
        tree = Path(scratch, "tree")
        _run("dpkg-deb", "-x", str(archive), str(tree))
        _run("depmod", "-b", str(tree), version)
        tree.chmod(0o755)
        tree.rename(folder / version)
    return Kernel(folder / version, version)


def _run(*command: str, folder: Path | None = None) -> str:
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, timeout=300)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise KernelUnavailableError(f"{command[0]} did not run: {error}") from error
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["no message"])[-1]
        raise KernelUnavailableError(f"{' '.join(command[:2])} failed: {last}")
    return done.stdout
