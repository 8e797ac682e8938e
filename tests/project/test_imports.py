"""The floors are a file that runs: the import contracts of pyproject.toml hold."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("gateway", "ingest", "dashboard", "fleet_demo")
LINT = "from importlinter.cli import lint_imports_command as lint; lint(['--no-cache'])"


def test_the_import_contracts_hold() -> None:
    run = subprocess.run(
        [
            sys.executable,
            "-c",
            "from importlinter.cli import lint_imports_command as c; c(['--no-cache'])",
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stdout + run.stderr


@pytest.mark.parametrize("package", PACKAGES)
def test_importing_a_package_runs_nothing(package: str) -> None:
    files = [ROOT / package / "__init__.py", *(ROOT / package).rglob("__init__.py")]
    assert [path for path in files if path.read_text(encoding="utf-8").strip()] == []


def test_every_folder_with_code_is_a_package() -> None:
    bare = {
        path.parent.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for path in (ROOT / package).rglob("*.py")
        if not (path.parent / "__init__.py").exists()
    }
    assert bare == set()


@pytest.mark.parametrize(
    "module, absent",
    [
        pytest.param("gateway.contract", ("paho", "can", "isotp", "sqlite3"), id="the contract"),
        pytest.param("gateway.protocol", ("paho", "can", "isotp", "sqlite3"), id="the decoding"),
        pytest.param("ingest.domain", ("sqlalchemy", "paho", "pandas"), id="the rules"),
        pytest.param("dashboard.planning", ("streamlit", "sqlalchemy"), id="the plan"),
    ],
)
def test_the_core_loads_no_framework(module: str, absent: tuple[str, ...]) -> None:
    """Every module of the core is imported in a process of its own, and `sys.modules` is read."""
    folder = ROOT / module.replace(".", "/")
    names = [f"{module}.{path.stem}" for path in folder.glob("[a-z]*.py")] or [module]
    code = "; ".join([*(f"import {name}" for name in names), "import sys; print(*sys.modules)"])
    run = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    assert set(absent) & set(run.stdout.split()) == set()


def test_a_gateway_installs_without_sql_pandas_or_streamlit() -> None:
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    needed = " ".join(project["dependencies"]).lower()
    assert [name for name in ("sqlalchemy", "pandas", "streamlit") if name in needed] == []
