"""Asks what the tests would notice: makes one small fault at a time in a copy of the tree and runs the tests on it.

Usage, from the checkout (no part of CI: it takes some seconds a fault):

    .venv/bin/python packaging/mutate.py --count 50 --seconds 600 daemon/laneproof/desk

The faults are drawn at random, by seed, from the packages or modules named: a comparison that is shifted or turned
round, another constant, another severity, plus for minus, two arguments exchanged, `and` for `or`, another value
returned. Each is held against the module's own file of tests first, then against those of its package's other tests
that import it, be it through others. What survives is listed: either the tests miss something that an owner would see,
or the fault changes nothing.

The tests run in a fork of a process that has loaded the outside libraries and nothing of the project: an interpreter
that loads them for each fault takes longer to start than most tests take to run.
"""

import argparse
import ast
import contextlib
import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from importlib.util import cache_from_source
from pathlib import Path
from textwrap import shorten

import hypothesis
import pytest
from hypothesis import HealthCheck, Phase

CHECKOUT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(CHECKOUT / "tests"))

from support.mirror import files_of_tests  # noqa: E402 (stands in the tests' tree, which is no package)

COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.LShift: ast.RShift, ast.RShift: ast.LShift, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
WORDS = {"notice": "warning", "warning": "critical", "critical": "notice",
         "differs": "unverified", "sign": "differs", "unverified": "differs"}  # fmt: skip
"""Severities and kinds of a finding. Other words are left alone: most are sentences, which no mutation judges."""
OTHER_RETURNS = {"str": "''", "int": "({}) + 1", "float": "({}) + 1", "bool": "not ({})"}
ORDER_MEANS_NOTHING = {"min", "max", "isinstance", "gcd"}
CHANGES_NOTHING = {"strict", "check", "encoding"}
"""Arguments that only guard against what does not happen in a test."""
LEAST_SECONDS = 20
"""How long a file of tests may take at least before a fault that keeps it busy counts as noticed."""
QUICK = "not (vm or browser or services or worlds)"
OUTSIDE = ["pyfakefs.pytest_plugin", "hypothesis.strategies", "scipy.stats", "prometheus_client", "pydantic", "pyudev"]
FORKING = multiprocessing.get_context("forkserver")
FORKING.set_forkserver_preload(OUTSIDE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One small change of a module's text."""

    module: str
    kind: str
    line: int
    start: int
    """Where the old text stands in the file, in bytes."""
    end: int
    old: str
    new: str

    def __str__(self) -> str:
        """Say where it is and what it changes, on one line."""
        old, new = (shorten(text, 70, placeholder=" ...") for text in (self.old, self.new))
        return f"{self.module}:{self.line}: {self.kind}: {old} -> {new}"


def other_nodes(node: ast.AST, returns: str) -> Iterator[tuple[str, ast.AST | str]]:  # noqa: C901 (one table)
    """Give what a piece of code may become: the kind of fault, and the new node or text."""
    match node:
        case ast.Compare(ops=[operator, *more]):
            for other in COMPARISONS.get(type(operator), ()):
                yield "comparison", ast.Compare(left=node.left, ops=[other(), *more], comparators=node.comparators)
        case ast.Constant(value=bool(value)):
            yield "constant", repr(not value)
        case ast.Constant(value=int(value)):
            yield "constant", repr(value + 1)
        case ast.Constant(value=float(value)):
            yield "constant", repr(value * 1.5 or 1.0)
        case ast.Constant(value=str(value)) if value in WORDS:
            yield "word", repr(WORDS[value])
        case ast.Attribute(value=ast.Name(id="Severity" | "Kind" as words), attr=word) if word.lower() in WORDS:
            yield "word", f"{words}.{WORDS[word.lower()].upper()}"
        case ast.BinOp(op=operator) if type(operator) in OPERATORS and not isinstance(node.left, ast.JoinedStr):
            yield "sign", ast.BinOp(left=node.left, op=OPERATORS[type(operator)](), right=node.right)
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
            yield "sign", operand
        case ast.BoolOp(op=operator):
            yield "and, or", ast.BoolOp(op=ast.Or() if isinstance(operator, ast.And) else ast.And(), values=node.values)
        case ast.Call(args=[first, second, *more], func=function) if not (
            ast.dump(first) == ast.dump(second)
            or isinstance(first, ast.Starred)
            or isinstance(second, ast.Starred)
            or (isinstance(function, ast.Name) and function.id in ORDER_MEANS_NOTHING)
        ):
            yield "arguments", ast.Call(func=function, args=[second, first, *more], keywords=node.keywords)
        case ast.Return(value=ast.expr() as value) if not isinstance(value, ast.Constant):
            yield "return", "return " + OTHER_RETURNS.get(returns, "None").format(ast.unparse(value))


def walk(node: ast.AST, returns: str = "") -> Iterator[tuple[ast.AST, str]]:
    """Go through code that runs, with what the function round it returns: no annotations, decorators or f-strings."""
    yield node, returns
    match node:
        case ast.FunctionDef() | ast.AsyncFunctionDef():
            returns = ast.unparse(node.returns) if node.returns else ""
            children: Sequence[ast.AST] = [*node.args.defaults, *filter(None, node.args.kw_defaults), *node.body]
        case ast.ClassDef():
            children = node.body
        case ast.AnnAssign():
            children = [node.value] if node.value else []
        case ast.JoinedStr():  # Python 3.11 does not say where its parts stand
            children = []
        case ast.Call():
            keywords = [keyword.value for keyword in node.keywords if keyword.arg not in CHANGES_NOTHING]
            children = [node.func, *node.args, *keywords]
        case _:
            children = list(ast.iter_child_nodes(node))
    for child in children:
        yield from walk(child, returns)


def faults_of(module: str, source: bytes) -> Iterator[Fault]:
    """Give each single fault that could be made in a module."""
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    for node, returns in walk(ast.parse(source)):
        for kind, other in other_nodes(node, returns):
            assert isinstance(node, ast.expr | ast.stmt)  # noqa: S101 (the type checker's; other_nodes takes no other)
            assert node.end_lineno is not None  # noqa: S101 (likewise: a parsed node has an end)
            assert node.end_col_offset is not None  # noqa: S101 (likewise)
            start = starts[node.lineno - 1] + node.col_offset
            end = starts[node.end_lineno - 1] + node.end_col_offset
            new = other if isinstance(other, str) else f"({ast.unparse(other)})"
            old = source[start:end].decode()
            yield Fault(module=module, kind=kind, line=node.lineno, start=start, end=end, old=old, new=new)


def draw(modules: Sequence[str], *, count: int, seed: int) -> list[Fault]:
    """Draw faults at random from all that could be made in some modules."""
    possible = [fault for module in modules for fault in faults_of(module, (CHECKOUT / module).read_bytes())]
    return random.Random(seed).sample(possible, min(count, len(possible)))  # noqa: S311 (a draw, no secret)


def find_imports(files: Iterable[Path]) -> dict[Path, set[Path]]:
    """Give for each file those that are loaded with it, through others too; `files` are all that can be."""
    paths = {file: file.relative_to(CHECKOUT).with_suffix("").parts[1:] for file in files}
    named = {".".join(path).removesuffix(".__init__"): file for file, path in paths.items()}
    direct: dict[Path, set[Path]] = {}
    for file in named.values():
        names = set()
        for node in ast.walk(ast.parse(file.read_bytes())):
            match node:
                case ast.ImportFrom(module=str(module), names=parts):
                    names |= {module, *(f"{module}.{part.name}" for part in parts)}
                case ast.Import(names=parts):
                    names |= {part.name for part in parts}
        direct[file] = {named[name] for name in names if name in named}
    for through, further in direct.items():
        for reached in direct.values():
            if through in reached:
                reached.update(further)
    return direct


def run_tests(folder: Path, tests: str) -> None:
    """Run a file of tests on a copy of the checkout, in a fork for it alone, and exit with pytest's status."""
    os.setsid()
    for stream in (1, 2):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
    os.chdir(folder)
    os.environ["PYTHONPATH"] = f"{folder}/daemon:{folder}/collectors"  # for the programs that tests start
    sys.dont_write_bytecode = False  # written once, read by each fork after that
    hypothesis.settings.register_profile(
        "unshrunk",  # an example that fails suffices: the search for a smaller one takes longest
        hypothesis.settings(phases=[Phase.explicit, Phase.generate], database=None, deadline=None),
        suppress_health_check=[HealthCheck.too_slow],
    )
    plugins = ["-p", "no:cacheprovider", "-p", "no:anyio", "-p", "no:schemathesis"]  # the last two are slow to load
    loaded = ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # hypothesis was there before pytest began
    os._exit(pytest.main(["-x", "--hypothesis-profile=unshrunk", *plugins, *loaded, "-m", QUICK, tests]))


class Copy:
    """A copy of the checkout in which faults are made and tests run."""

    def __init__(self, folder: Path) -> None:
        """Copy what git knows or would take; the checkout itself is never changed."""
        self.folder = folder
        self._usual_seconds: dict[Path, float] = {}
        listed = subprocess.run(
            ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
            cwd=CHECKOUT, check=True, capture_output=True,
        ).stdout.decode()  # fmt: skip
        for name in filter(None, listed.split("\0")):
            if (CHECKOUT / name).is_file():
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(CHECKOUT / name, folder / name)

    def passes(self, tests: Path, seconds: float | None = None) -> bool:
        """Run a file of tests on the copy as it stands; a run that takes too long does not pass."""
        name = tests.relative_to(CHECKOUT).as_posix()
        fork = FORKING.Process(target=run_tests, args=(self.folder, name))
        fork.start()
        fork.join(seconds)
        passed = fork.exitcode == 0
        assert fork.pid  # noqa: S101 (the type checker's: it was started)
        with contextlib.suppress(ProcessLookupError):  # also what its tests started and left behind
            os.killpg(fork.pid, signal.SIGKILL)
        return passed

    def notices(self, fault: Fault, tests: Path) -> bool:
        """Make a fault, run tests, and put the module right again: its time too, and no bytecode of the fault."""
        if (usual := self._usual_seconds.get(tests)) is None:
            began = time.monotonic()
            if not self.passes(tests):
                raise SystemExit(f"these tests fail before any fault is made: {tests}")
            usual = self._usual_seconds[tests] = time.monotonic() - began
        file = self.folder / fault.module
        right = file.rename(file.with_suffix(".right"))
        text = right.read_bytes()
        file.write_bytes(text[: fault.start] + fault.new.encode() + text[fault.end :])
        try:
            return not self.passes(tests, max(LEAST_SECONDS, 5 * usual))
        finally:
            right.replace(file)
            Path(cache_from_source(file)).unlink(missing_ok=True)


def package_of(module: str) -> str:
    """Name the package that a module's figures are added to: two levels below the top folder."""
    return "/".join(Path(module).parts[1:-1][:2])


def main(arguments: Sequence[str] | None = None) -> None:
    """Draw faults, run the tests on each, and print the table and the survivors."""
    parser = argparse.ArgumentParser(description="Make small faults one at a time and see whether the tests notice.")
    parser.add_argument("packages", nargs="*", help="folders or modules below the checkout; default: both packages")
    parser.add_argument("--count", type=int, default=50, help="how many faults at most (default: %(default)s)")
    parser.add_argument("--seconds", type=float, default=900, help="for how long at most (default: %(default)s)")
    parser.add_argument("--seed", type=int, default=1, help="which draw (default: %(default)s)")
    options = parser.parse_args(arguments)

    homes = {module: home for module, home in files_of_tests(CHECKOUT).items() if home.exists()}
    wanted = [package.rstrip("/") for package in options.packages] or ["collectors", "daemon"]
    modules = [module for module in homes if any(module == name or module.startswith(f"{name}/") for name in wanted)]
    if not modules:
        parser.error(f"no module with tests of its own in {', '.join(wanted)}")

    imports = find_imports(file for top in ("collectors", "daemon", "tests") for file in (CHECKOUT / top).rglob("*.py"))
    drawn = draw(modules, count=options.count, seed=options.seed)
    ends = time.monotonic() + options.seconds
    results: dict[str, Counter[str]] = {}
    survivors = []
    with tempfile.TemporaryDirectory(prefix="laneproof-mutate-") as folder:
        copy = Copy(Path(folder))
        for fault in drawn:
            if time.monotonic() > ends:
                break
            package = package_of(fault.module)
            own = homes[fault.module]
            tests = {home for module, home in homes.items() if package_of(module) == package}
            others = sorted(file for file in tests - {own} if CHECKOUT / fault.module in imports[file])
            if copy.notices(fault, own):
                result = "own tests"
            elif any(copy.notices(fault, file) for file in others):
                result = "others"
            else:
                result = "survived"
                survivors.append(fault)
            results.setdefault(package, Counter())[result] += 1
            print(f"{result:10} {fault}", file=sys.stderr, flush=True)
    print_results(results, survivors, seed=options.seed)


def print_results(results: dict[str, Counter[str]], survivors: Sequence[Fault], *, seed: int) -> None:
    """Print a row a package, the sum, and each fault that no test noticed."""
    total = sum(results.values(), Counter[str]())
    print(f"seed {seed}\n\n{'package':34} {'drawn':>6} {'own tests':>9} {'others':>6} {'survived':>8}")
    for package, row in [*sorted(results.items()), ("all", total)]:
        print(f"{package:34} {row.total():6} {row['own tests']:9} {row['others']:6} {row['survived']:8}")
    print("\nsurvived:" if survivors else "\nnone survived")
    for fault in sorted(survivors, key=lambda fault: (fault.module, fault.line)):
        print(f"  {fault}")


if __name__ == "__main__":
    main()
