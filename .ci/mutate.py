"""Mutation testing by sample: small faults are put into a package's modules, one at a time, and its tests must notice.

A sample, drawn with a fixed seed, stands for all mutants: those of this project number thousands, and each costs a run of
tests. Kernels run uncompiled, since compiling each mutant would take longer than running it; every mutant is tested in a
child of one process that has NumPy and the like loaded already, by the tests of its own module and no others, those of
`TESTS`, until one fails. A run that takes five times as long as without
any change, and half a minute more, is a loop without end and counts as noticed.

    python .ci/mutate.py physics --sample 100
    python .ci/mutate.py evacuation --sample 300 --seed 1
    python .ci/mutate.py evacuation --sample 30 --modules verdict --tests tests/evacuation/test_verdict.py

Prints every survivor, then the share killed, by module and in all; a survivor wants a look: a missing test, or a change that
changes nothing.
"""

from __future__ import annotations

import argparse
import ast
import copy
import fnmatch
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

os.environ.update(NUMBA_DISABLE_JIT="1", OPENBLAS_NUM_THREADS="1")
sys.dont_write_bytecode = True

# loaded once, before the children: blankoff itself is not among them
import hypothesis  # noqa: E402, F401
import numba  # noqa: E402, F401
import polars  # noqa: E402, F401
import pydantic  # noqa: E402, F401
import pytest  # noqa: E402
import scipy.integrate  # noqa: E402
import scipy.optimize  # noqa: E402
import scipy.special  # noqa: E402, F401

ROOT = Path(__file__).resolve().parents[1]

ROOM = ("empty", "zeros", "full", "ones")
"""NumPy's calls that make room: with more than is needed nothing is wrong."""

TESTS: dict[str, str] = {
    "evacuation/calibration": "hold_calibration",
    "evacuation/hold": "hold_batch hold",
    "evacuation/hold_wet_fit": "hold_wet hold_fit hold",
    "evacuation/hold_*": "{module} hold_fit hold",
    "evacuation/judge": "judge_columns",
    "evacuation/noise": "noise hold",
    "evacuation/phases": "phases_logs phases",
    "evacuation/phases_fits": "phases_sides phases_logs phases",
    "evacuation/phases_lag": "phases_sides phases_logs phases",
    "evacuation/phases_*": "{module} phases_logs phases",
    "evacuation/plateau": "plateau pump_down_features pump_down",
    "evacuation/pump_down": "pump_down_features pump_down",
    "evacuation/pump_down_*": "{module} pump_down_features pump_down",
    "evacuation/single": "judge_columns",
    "evacuation/verdict": "verdict_rules verdict_levels verdict",
    "physics/conductance": "conductance reference/vacuum_flow",
    "physics/least_squares": "least_squares reference/nist_strd",
    "physics/leak": "leak_and_water reference/rate_of_rise",
    "physics/pumping": "pumping reference/vacuum_flow",
    "physics/refrigerants": "leak_and_water reference/rate_of_rise",
    "physics/uncertainty": "uncertainty reference/gum_uncertainty",
    "physics/water": "leak_and_water",
    "*": "{module}",
}
"""Test files of a package's modules, the first pattern that fits: quick uncompiled, which others here are not."""

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
}


def _spots(tree: ast.AST) -> Iterator[ast.AST]:
    """Every node that may be changed, in a fixed order; docstrings, annotations and decorators are left alone."""
    skipped: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            parts: list[ast.AST | None] = [*node.decorator_list, node.returns, *(a.annotation for a in node.args.args)]
            for part in parts:
                skipped |= {id(n) for n in ast.walk(part)} if part is not None else set()
        if isinstance(node, ast.AnnAssign):
            skipped |= {id(n) for n in ast.walk(node.annotation)}
        room = isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in ROOM
        if room or (isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub)):
            for part in ast.iter_child_nodes(node):
                for constant in ast.walk(part) if room else [part]:
                    constant.less = True  # type: ignore[attr-defined]
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if (
            (isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARISONS)
            or (isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in ARITHMETIC)
            or isinstance(node, ast.BoolOp | ast.If | ast.IfExp)
            or (isinstance(node, ast.Constant) and type(node.value) in (int, float))
        ):
            yield node


def _change(node: ast.AST) -> str:
    """Change a node in place; return what was done."""
    if isinstance(node, ast.Compare):
        old = node.ops[0]
        node.ops[0] = COMPARISONS[type(old)]()
        return f"{type(old).__name__} -> {type(node.ops[0]).__name__}"
    if isinstance(node, ast.BinOp | ast.AugAssign):
        was = node.op
        node.op = ARITHMETIC[type(was)]()
        return f"{type(was).__name__} -> {type(node.op).__name__}"
    if isinstance(node, ast.BoolOp):
        node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        return "and <-> or"
    if isinstance(node, ast.If | ast.IfExp):
        node.test = ast.UnaryOp(ast.Not(), node.test)
        return "condition turned round"
    assert isinstance(node, ast.Constant)
    value = node.value
    assert isinstance(value, int | float)
    if isinstance(value, int):
        # one less where only too little would be a fault, or where a minus before it says "none"
        node.value = value - 1 if value and getattr(node, "less", False) else value + 1
    elif abs(value) <= 1e-6 or abs(value) >= 1e17:
        # what guards against nothing, or stands for endlessly much: a tenth more is no fault
        node.value = 1.0
    else:
        node.value = value * 1.1
    return f"{value} -> {node.value}"


def mutant(tree: ast.AST, k: int) -> tuple[int, str, str]:
    """Return ``(line, what was changed, the whole module)`` of a module's mutant number `k`."""
    one = copy.deepcopy(tree)
    node = list(_spots(one))[k]
    what = _change(node)
    return getattr(node, "lineno", 0), what, ast.unparse(ast.fix_missing_locations(one))


def tests_of(package: str, module: str) -> list[str]:
    """Return the test files that answer for a module."""
    names = next(names for pattern, names in TESTS.items() if fnmatch.fnmatch(f"{package}/{module}", pattern))
    files = []
    for name in names.format(module=module).split():
        folder, _, own = name.rpartition("/")
        files.append(f"tests/{folder or package}/test_{own}.py")
    return [file for file in files if (ROOT / file).exists()]


def _run(source: Path, tests: list[str]) -> int:
    """Run tests in this process, a child, on a changed copy of the source."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)
    sys.path[:0] = [str(source), str(ROOT / "synthetic_data")]
    words = [
        "-x",
        "-q",
        "-n",
        "0",
        "--assert=plain",
        "--hypothesis-seed=0",
        "-m",
        "not browser",
        "-p",
        "no:cacheprovider",
    ]
    return int(pytest.main([*words, *tests]))


def tested(source: Path, tests: list[str], longest_s: float) -> int | None:
    """Run the tests on a changed copy of the source; return pytest's status, None if they did not come to an end."""
    child = os.fork()
    if child == 0:
        status = 3
        try:
            os.setpgid(0, 0)
            status = _run(source, tests)
        finally:
            os._exit(status)
    begun = time.monotonic()
    while time.monotonic() - begun < longest_s:
        done, how = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(how)
        time.sleep(0.02)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


def main() -> None:
    """Draw, change, test, count."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("package")
    words.add_argument("--sample", type=int, default=100)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--modules", nargs="*", default=[], help="only these, by name without .py")
    words.add_argument("--tests", nargs="*", default=[], help="in place of each module's own")
    words.add_argument("--say-tests", action="store_true", help="print the test files of the package, and end")
    given = words.parse_args()
    os.chdir(ROOT)
    if given.say_tests:
        own = sorted((ROOT / "src" / "blankoff" / given.package).glob("*.py"))
        print(*sorted({file for module in own for file in tests_of(given.package, module.stem)}))
        return
    with tempfile.TemporaryDirectory() as scratch:
        source = Path(scratch) / "src"
        shutil.copytree(ROOT / "src", source, ignore=shutil.ignore_patterns("__pycache__"))
        folder = source / "blankoff" / given.package
        modules = sorted(p for p in folder.glob("*.py") if not given.modules or p.stem in given.modules)
        trees = {m: ast.parse(m.read_text(encoding="utf-8")) for m in modules}
        everything = [(m, k) for m in modules for k in range(sum(1 for _ in _spots(trees[m])))]
        chosen = random.Random(given.seed).sample(everything, min(given.sample, len(everything)))
        chosen.sort(key=lambda one: one[0])
        longest_s: dict[str, float] = {}
        drawn: dict[str, int] = {}
        killed: dict[str, int] = {}
        for module, k in chosen:
            line, what, text = mutant(trees[module], k)
            name = module.stem
            tests = given.tests or tests_of(given.package, name)
            if name not in longest_s:
                begun = time.monotonic()
                if tests and (status := tested(source, tests, 3600.0)):
                    sys.exit(f"{name}: its tests fail before anything is changed (pytest's status {status}): {tests}")
                longest_s[name] = 30.0 + 5.0 * (time.monotonic() - begun)
                print(f"{name}: {len(tests)} test files, {time.monotonic() - begun:.1f} s", flush=True)
            before = module.read_text(encoding="utf-8")
            module.write_text(text, encoding="utf-8")
            status = tested(source, tests, longest_s[name]) if tests else 0
            module.write_text(before, encoding="utf-8")
            drawn[name] = drawn.get(name, 0) + 1
            killed[name] = killed.get(name, 0) + (status != 0)
            if status == 0:
                print(f"survived: {name}.py, line {line}: {what}", flush=True)
    for name in drawn:
        print(f"{name}: {killed[name]} of {drawn[name]} killed ({100 * killed[name] / drawn[name]:.0f} %)")
    some, all_of_them = sum(killed.values()), len(chosen)
    print(f"{some} of {all_of_them} killed ({100 * some / all_of_them:.0f} %); {len(everything)} mutants in all")


if __name__ == "__main__":
    main()
