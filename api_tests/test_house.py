"""What the layout of the house promises."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

CHECKOUT = Path(__file__).parents[1]
PACKAGE = CHECKOUT / "trace" / "partkin"

ENDS_TRANSACTIONS = {"begin", "begin_nested", "commit", "create_engine", "raw_connection", "rollback"}
RULES_MAY_USE = {"annotated_types", "rfc8785", "scipy"}
REACHES_OUTSIDE = {"os", "pathlib", "random", "shutil", "socket", "sqlite3", "subprocess", "threading", "time"}


def nodes(folder: Path) -> Iterator[tuple[str, ast.AST]]:
    """All that is written in the folder's Python files, and where."""
    for file in sorted(folder.rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text())):
            yield f"{file.relative_to(CHECKOUT)}:{getattr(node, 'lineno', 0)}", node


def imported(node: ast.AST) -> list[str]:
    match node:
        case ast.Import(names):
            return [name.name for name in names]
        case ast.ImportFrom(module=str(module), level=0):
            return [module]
        case ast.ImportFrom():
            return ["."]
        case _:
            return []


def called(node: ast.AST) -> str | None:
    match node:
        case ast.Call(func=ast.Attribute(attr=name)) | ast.Call(func=ast.Name(id=name)):
            return name
        case _:
            return None


def test_the_source_folder_leaves_pythons_own_trace_module_alone() -> None:
    """With a `trace/__init__.py`, `import trace` would find it from the checkout."""
    assert not (CHECKOUT / "trace" / "__init__.py").exists()
    found = subprocess.run(
        [sys.executable, "-c", "import trace; print(trace.Trace.__module__)"],
        cwd=CHECKOUT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert found.stdout.strip() == "trace"


def test_imports_go_one_way() -> None:
    linter = Path(sys.executable).with_name("lint-imports")
    checked = subprocess.run([linter, "--no-cache"], cwd=CHECKOUT, capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout


def test_only_the_database_module_begins_and_ends_transactions() -> None:
    doors = {place for place, node in nodes(PACKAGE) if called(node) in ENDS_TRANSACTIONS}
    assert {place.rpartition(":")[0] for place in doors} == {"trace/partkin/store/database.py"}, doors


def test_rules_use_nothing_that_reaches_outside() -> None:
    for place, node in nodes(PACKAGE / "rules"):
        for name in imported(node):
            top = name.partition(".")[0]
            own = name.startswith("partkin.rules")
            pure = top in sys.stdlib_module_names and top not in REACHES_OUTSIDE
            assert own or pure or top in RULES_MAY_USE, f"{place} imports {name}"
        assert called(node) not in {"open", "print", "input"}, place


def test_migrations_do_not_follow_the_code_when_it_changes() -> None:
    for place, node in nodes(CHECKOUT / "migrations" / "versions"):
        assert all(not name.startswith("partkin") for name in imported(node)), place
