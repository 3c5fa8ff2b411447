"""Mutation testing by sample: small faults are put into a package's modules, one at a time, and its tests must notice.

A sample, drawn with a fixed seed, stands for all mutants: those of this project number thousands, and each costs a run of
the tests. Kernels run uncompiled, since compiling each mutant would take longer than running it.

    python .ci/mutate.py physics --sample 120 --seed 1 --tests tests/physics tests/reference/test_vacuum_flow.py ...

Prints every survivor, then the share killed; a survivor wants a look: a missing test, or a change that changes nothing.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
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
    node.value = value + 1 if isinstance(value, int) else (value * 1.1 if value else 1.0)
    return f"{value} -> {node.value}"


def mutants(module: Path) -> list[tuple[int, str, str]]:
    """Return ``(line, what was changed, the whole module)`` of every mutant of a module."""
    tree = ast.parse(module.read_text(encoding="utf-8"))
    made = []
    for k in range(sum(1 for _ in _spots(tree))):
        one = copy.deepcopy(tree)
        node = list(_spots(one))[k]
        what = _change(node)
        made.append((getattr(node, "lineno", 0), what, ast.unparse(ast.fix_missing_locations(one))))
    return made


def tested(source: Path, tests: list[str], longest_s: float | None) -> bool:
    """Run the tests on a changed copy of the source; return whether they pass."""
    env = {**os.environ, "PYTHONPATH": f"{source}{os.pathsep}{ROOT / 'synthetic_data'}", "NUMBA_DISABLE_JIT": "1"}
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-p", "no:randomly", *tests]
    try:
        done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, timeout=longest_s, check=False)
    except subprocess.TimeoutExpired:
        return False
    if longest_s is None and done.returncode:
        sys.exit(f"the tests fail before anything is changed:\n{done.stdout.decode()[-3000:]}")
    return done.returncode == 0


def main() -> None:
    """Draw, change, test, count."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("package")
    words.add_argument("--sample", type=int, default=100)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--modules", nargs="*", default=[], help="only these, by name without .py")
    words.add_argument("--tests", nargs="+", required=True)
    given = words.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        source = Path(scratch) / "src"
        shutil.copytree(ROOT / "src", source, ignore=shutil.ignore_patterns("__pycache__"))
        folder = source / "blankoff" / given.package
        modules = sorted(p for p in folder.glob("*.py") if not given.modules or p.stem in given.modules)
        everything = [(m, *one) for m in modules for one in mutants(m)]
        chosen = random.Random(given.seed).sample(everything, min(given.sample, len(everything)))
        begun = time.monotonic()
        tested(source, given.tests, None)
        longest_s = 30 + 5 * (time.monotonic() - begun)
        killed = 0
        for k, (module, line, what, text) in enumerate(chosen, 1):
            before = module.read_text(encoding="utf-8")
            module.write_text(text, encoding="utf-8")
            survived = tested(source, given.tests, longest_s)
            module.write_text(before, encoding="utf-8")
            killed += not survived
            if survived:
                print(f"survived: {module.stem}.py, line {line}: {what}", flush=True)
            if k % 10 == 0 or k == len(chosen):
                print(
                    f"{killed} of {k} killed ({100 * killed / k:.0f} %); {len(everything)} mutants in all", flush=True
                )


if __name__ == "__main__":
    main()
