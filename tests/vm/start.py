"""The guest's first program, written for each boot: mounts and modules, then the test's program or a real systemd.

Whatever it writes goes to the overlay, which lives in the guest's memory.
"""

import os
import shlex
import shutil
import sys
import sysconfig
from collections.abc import Callable
from pathlib import Path

from vm.guest.served import OTHER_ADDRESS
from vm.kernel import CHECKOUT, Kernel

HOST_NAME = "kelp-1"

StartScript = Callable[[list[str], Kernel, tuple[str, ...]], str]
"""Program and its arguments, kernel, modules to load -> a script for the shell."""

SERVICE_CHECKOUT = Path("/opt/laneproof")
SERVICE_PYTHON = Path("/opt/python")
COMMANDS = {
    "/usr/bin/laneproof": "laneproof.cli",
    "/usr/lib/laneproof/bin/laneproof-reader": "laneproof_collectors.reader",
}
"""Where a service sees this checkout and this Python: a hardened unit may see neither home folders nor /tmp."""


def start_program(command: list[str], kernel: Kernel, modules: tuple[str, ...]) -> str:
    """Start a program and nothing else, and turn the machine off when it ends."""
    return f"""\
{_prepare(kernel, modules)}
{_busybox()} ip link set lo up
export PYTHONPATH={shlex.quote(python_path(CHECKOUT))} PYTHONDONTWRITEBYTECODE=1 PYTHONNOUSERSITE=1
{shlex.join(command)} > /dev/console 2>&1
echo "guest: the program ended with status $?"
{_busybox()} poweroff -n -f # without a sync, which waits without end for an array that has failed
"""


def start_systemd(command: list[str], kernel: Kernel, modules: tuple[str, ...]) -> str:
    """Start the host's systemd with laneproof installed as a unit, and the program once the system is up.

    Of the host's services none starts: only what every boot has, laneproof's unit (not yet started), and the program.
    """
    python, libraries = _python_for_services()
    commands = "\n".join(
        f"""\
cat > {path} <<'END'
#!/bin/sh
export PYTHONPATH={python_path(SERVICE_CHECKOUT)}:{shlex.quote(libraries)} PYTHONDONTWRITEBYTECODE=1
export LD_LIBRARY_PATH={SERVICE_PYTHON}/lib # a Python built as a shared library would find the system's instead
exec {shlex.quote(python)} -c 'import sys; from {module} import main; sys.exit(main())' "$@"
END
chmod 755 {path}"""
        for path, module in COMMANDS.items()
    )
    install = f"""\
mkdir -p /usr/lib/laneproof/bin /etc/laneproof {SERVICE_CHECKOUT} {SERVICE_PYTHON}
mount --bind {shlex.quote(str(CHECKOUT))} {SERVICE_CHECKOUT}
mount --bind {shlex.quote(sys.base_prefix)} {SERVICE_PYTHON}
{commands}
systemd-sysusers {SERVICE_CHECKOUT}/packaging/sysusers.conf
cp {SERVICE_CHECKOUT}/systemd/* /etc/systemd/system/"""
    return _start_systemd(command, kernel, modules, install)


def start_systemd_alone(command: list[str], kernel: Kernel, modules: tuple[str, ...]) -> str:
    """Start the host's systemd without laneproof, which the program installs itself."""
    return _start_systemd(command, kernel, modules, "rm -rf /etc/laneproof /var/lib/laneproof /opt/laneproof")


def start_systemd_again(command: list[str], kernel: Kernel, modules: tuple[str, ...]) -> str:
    """Start it as it was left: what was enabled starts with the system, the program after it.

    An address of the network is there before any service is, as where it is set by hand.
    """
    network = f"{_busybox()} ip link set lo up\n{_busybox()} ip address add {OTHER_ADDRESS}/32 dev lo"
    return _start_systemd(command, kernel, modules, network, is_first=False)


def _start_systemd(
    command: list[str], kernel: Kernel, modules: tuple[str, ...], install: str, *, is_first: bool = True
) -> str:
    cleaning = "rm -rf /etc/systemd/system /etc/systemd/network" if is_first else ""
    wanted = "" if is_first else "multi-user.target "
    return f"""\
{_prepare(kernel, modules)}
: > /etc/fstab
{cleaning}
mkdir -p /etc/systemd/system /etc/tmpfiles.d
rm -f /.dockerenv # a container's mark is the host's, not this machine's
ln -sf /dev/null /etc/tmpfiles.d/tmp.conf # it would empty the host's temporary folders, one slow file at a time
{install}
cat > /etc/systemd/system/steps.service <<'END'
[Unit]
Description=The test's program
DefaultDependencies=no
After=basic.target {"" if is_first else "laneproof.service"}
SuccessAction=poweroff-force
FailureAction=poweroff-force

[Service]
Type=oneshot
Environment=HOME=/root PYTHONDONTWRITEBYTECODE=1 PYTHONPATH={python_path(CHECKOUT)}
ExecStart={shlex.join(command)}
StandardOutput=tty
StandardError=tty
TTYPath=/dev/console
END
cat > /etc/systemd/system/steps.target <<'END'
[Unit]
Description=The test's program and what it needs
Requires=basic.target
After=basic.target
Wants={wanted}steps.service
END
exec /lib/systemd/systemd --unit=steps.target --show-status=no
"""


def _python_for_services() -> tuple[str, str]:
    """Give this Python, and its environment's libraries, as a service sees them: both may lie in somebody's home."""
    program = Path(getattr(sys, "_base_executable", sys.executable)).resolve()
    libraries = sysconfig.get_path("purelib").replace(str(CHECKOUT), str(SERVICE_CHECKOUT), 1)
    return str(SERVICE_PYTHON / program.relative_to(Path(sys.base_prefix).resolve())), libraries


def _prepare(kernel: Kernel, modules: tuple[str, ...]) -> str:
    return f"""\
export PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LC_ALL=C.UTF-8
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
mount -t tmpfs run /run
echo {HOST_NAME} > /etc/hostname
echo {HOST_NAME} > /proc/sys/kernel/hostname
mkdir -p /lib/modules
rm -rf /lib/modules/{kernel.version}
ln -s {shlex.quote(str(kernel.modules))} /lib/modules/{kernel.version}
modprobe -a virtio_console {shlex.join(modules)}"""


def python_path(checkout: Path) -> str:
    return os.pathsep.join(str(checkout / folder) for folder in ("daemon", "collectors", "tests"))


def _busybox() -> str:
    return shutil.which("busybox") or "busybox"
