"""packaging/install.sh: what it installs runs, an upgrade and a removal lose nothing of the owner's."""

import shutil
import stat
import subprocess
from pathlib import Path
from typing import Any

import pytest

from laneproof.commands.table import COMMANDS
from support.installed_tree import CHECKOUT, OWN_SETTINGS, PREFIX, SETTINGS, SYSTEM, install, make_tree

pytestmark = pytest.mark.services("systemd-analyze")


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a copy of its own, which a test may change."""
    root = tmp_path_factory.mktemp("installed") / "root"
    shutil.copytree(make_tree(), root, symlinks=True)
    return root


def files(root: Path) -> dict[str, str]:
    """Give every file below a folder with what it is: its target, or its size and time."""

    def describe(path: Path) -> str:
        return str(path.readlink()) if path.is_symlink() else str((path.stat().st_size, path.stat().st_mtime_ns))

    return {str(path.relative_to(root)): describe(path) for path in sorted(root.rglob("*")) if not path.is_dir()}


def find_program(tree: Path) -> Path:
    """Follow the command to what it starts."""
    return tree / (tree / SYSTEM / "bin/laneproof").readlink().relative_to("/")


def run_alone(tree: Path, program: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run what is installed from another folder, and with nothing of this environment."""
    command = [str(tree / PREFIX / "bin/python"), "-I", str(program), *arguments]
    return subprocess.run(command, cwd="/", env={}, capture_output=True, text=True, check=False)


def test_what_is_installed_runs_alone_and_from_any_folder(tree: Path) -> None:
    program = find_program(tree)
    assert program.read_text().splitlines()[0] == f"#!/{PREFIX}/bin/python -I"
    done = run_alone(tree, program, "audit", "--demo")
    assert (done.returncode, done.stdout.partition(":")[0]) == (1, "kelp-1"), done.stderr


def test_what_sends_messages_is_installed_with_it(tree: Path, tmp_path: Path) -> None:
    config = tmp_path / "notify.toml"
    config.write_text('urls = ["json://127.0.0.1:9/"]\n')  # the discard service's port, where nobody listens
    done = run_alone(tree, find_program(tree), "notify", "--config", str(config), "--test")
    assert (done.returncode, done.stdout.partition(";")[0]) == (69, "1 (json): not taken"), done.stderr


def test_what_a_fleet_needs_is_installed_with_it(tree: Path) -> None:
    share = tree / SYSTEM / "share/laneproof"
    assert sorted(file.name for file in (share / "grafana").iterdir()) == ["laneproof-box.json", "laneproof-fleet.json"]
    assert {"laneproof-fleet-alerts.yml"} <= {file.name for file in (share / "prometheus").iterdir()}
    assert {"push-declarations.sh"} <= {file.name for file in (share / "fleet").iterdir()}


def test_every_user_can_read_what_is_installed_whatever_root_s_umask(tree: Path) -> None:
    tops = (tree / PREFIX, tree / SYSTEM)
    paths = [path for top in tops for path in (top, *top.rglob("*")) if not path.is_symlink()]
    assert len(paths) > len(tops)
    wanted = [(path, stat.S_IROTH | (stat.S_IXOTH if path.is_dir() else 0)) for path in paths]
    assert [path for path, mode in wanted if path.stat().st_mode & mode != mode] == []


def test_nothing_installed_names_the_folder_that_it_was_made_in(tree: Path) -> None:
    named = [
        path
        for path in tree.rglob("*")
        if path.is_file() and not path.is_symlink() and any(
            word in path.read_bytes() for word in (str(make_tree()).encode(), b"/tmp/tmp.")
        )
    ]  # fmt: skip
    assert named == []


def program_files(root: Path) -> dict[str, str]:
    return {name: what for name, what in files(root).items() if name.startswith(PREFIX)}


def test_a_copy_that_fails_leaves_the_program_that_was_there(tree: Path) -> None:
    before = program_files(tree)
    command = tree / SYSTEM / "bin/laneproof"
    target = command.readlink()
    command.unlink()
    (command / "in-the-way").mkdir(parents=True)
    done = install(tree)
    assert done.returncode == 73, done.stderr
    assert "could not all be copied" in done.stderr.splitlines()[-1]
    assert program_files(tree) == before
    shutil.rmtree(command)
    command.symlink_to(target)


def test_a_program_that_does_not_start_never_takes_the_place_of_one_that_does(tree: Path, tmp_path: Path) -> None:
    before = program_files(tree)
    for name in ("daemon", "collectors", "packaging", "systemd", "docs"):
        shutil.copytree(CHECKOUT / name, tmp_path / name)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(CHECKOUT / name, tmp_path)
    with (tmp_path / "daemon/laneproof/cli.py").open("a") as cli:
        cli.write("\ndef main():\n    return 3\n")
    done = install(tree, checkout=tmp_path)
    assert done.returncode == 73, done.stderr
    assert "does not start" in done.stderr.splitlines()[-1]
    assert program_files(tree) == before


def test_units_start_what_is_installed_and_systemd_reads_them(tree: Path) -> None:
    units = sorted((tree / SYSTEM / "lib/systemd/system").iterdir())
    assert "laneproof.service" in [unit.name for unit in units]
    for unit in units:
        started = [line.partition("=")[2].split()[0] for line in unit.read_text().splitlines() if "ExecStart=" in line]
        targets = [tree / path.lstrip("/") for path in started]
        assert [path for path in targets if not path.is_symlink() and not path.is_file()] == []


def test_the_reader_is_installed_beside_the_program_and_starts(tree: Path) -> None:
    done = run_alone(tree, tree / PREFIX / "bin/laneproof-reader", "--help")
    assert (done.returncode, "systemd starts it" in done.stderr) == (64, True), done.stderr
    assert (tree / SYSTEM / "lib/sysusers.d/laneproof.conf").is_file()


COMPLETIONS = {
    "bash": "bash-completion/completions/laneproof",
    "zsh": "zsh/site-functions/_laneproof",
    "fish": "fish/vendor_completions.d/laneproof.fish",
}


@pytest.mark.parametrize("shell", COMPLETIONS)
def test_each_shell_reads_its_completion_and_every_command_is_in_it(tree: Path, shell: str) -> None:
    if not shutil.which(shell):
        pytest.skip(f"needs {shell}, which is not installed")
    file = tree / SYSTEM / "share" / COMPLETIONS[shell]
    done = subprocess.run([shell, "-n", str(file)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert [command.name for command in COMMANDS if command.name not in file.read_text()] == []


def test_bash_completes_commands_options_and_files(tree: Path, tmp_path: Path) -> None:
    (tmp_path / "box.toml").touch()
    script = f"""
        source {tree / SYSTEM}/share/bash-completion/completions/laneproof
        complete() {{ COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _shtab_laneproof; echo "${{COMPREPLY[*]}}"; }}
        complete laneproof bud; complete laneproof audit --js; complete laneproof audit --build box
    """
    done = subprocess.run(["bash", "-c", script], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert [line.strip() for line in done.stdout.splitlines()] == ["budget", "--json", "box.toml"], done.stderr


def test_the_manual_is_read_without_a_warning_and_has_every_command(tree: Path) -> None:
    if not shutil.which("man"):
        pytest.skip("needs man, which is not installed")
    page = tree / SYSTEM / "share/man/man1/laneproof.1"
    done = subprocess.run(["man", "--warnings", "-l", "-Tutf8", str(page)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert [command.name for command in COMMANDS if f"laneproof {command.name}" not in page.read_text()] == []


def test_what_cannot_be_built_changes_nothing(tree: Path) -> None:
    before = files(tree)
    (tree / PREFIX).rename(tree / f"{PREFIX}.being-replaced")  # where an exchange that was cut short leaves it
    done = install(tree, PIP_NO_INDEX="1", PIP_FIND_LINKS="")
    assert (done.returncode, done.stderr.count("nothing was changed")) == (69, 1), done.stderr
    assert files(tree) == before


def test_an_upgrade_takes_old_files_away_and_keeps_the_settings(tree: Path) -> None:
    assert [path for path in tree.rglob("*old*") if path.stem == "old"] == []
    assert (tree / SETTINGS).read_text() == OWN_SETTINGS


@pytest.mark.parametrize(
    ("arguments", "environment", "status"),
    [
        (("--erase",), {}, 64),
        (("--remove", "--purge"), {}, 64),
        ((), {"PREFIX": "/etc"}, 64),
        ((), {"PREFIX": "/opt/other things"}, 64),
        ((), {"PREFIX": "/etc/laneproof"}, 73),
        ((), {"PYTHON": "python-that-is-not-there"}, 69),
    ],
)
def test_wrong_input_is_one_sentence_and_changes_nothing(
    tree: Path, arguments: tuple[str, ...], environment: dict[str, Any], status: int
) -> None:
    before = files(tree)
    done = install(tree, *arguments, **environment)
    assert (done.returncode, done.stdout, len(done.stderr.splitlines())) == (status, "", 1), done.stderr
    assert files(tree) == before


def test_a_removal_keeps_what_is_the_owners_and_a_purge_keeps_nothing(tree: Path) -> None:
    history = tree / "var/lib/laneproof/history.db"
    history.parent.mkdir(parents=True)
    history.touch()
    neighbour = tree / SYSTEM / "bin/other"
    neighbour.touch()
    assert install(tree, "--remove").returncode == 0
    kept = {SETTINGS, "var/lib/laneproof/history.db", str(neighbour.relative_to(tree))}
    assert files(tree).keys() == kept
    assert install(tree, "--purge").returncode == 0
    assert files(tree).keys() == {str(neighbour.relative_to(tree))}
