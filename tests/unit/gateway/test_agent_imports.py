"""A gateway runs on small hardware: what `run` loads holds no database, table or page library."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[3]


def test_the_modules_of_run_load_no_sqlalchemy_pandas_or_streamlit() -> None:
    names = [path.stem for path in (ROOT / "gateway").glob("*.py") if path.stem != "__init__"]
    code = "; ".join([*(f"import gateway.{name}" for name in names), "import sys"])
    run = subprocess.run(
        [sys.executable, "-c", f"{code}; print(*sys.modules)"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    loaded = {name.split(".")[0] for name in run.stdout.split()}
    assert {"can", "paho", "sqlite3"} <= loaded
    heavy = {"sqlalchemy", "pandas", "streamlit", "numpy", "ingest", "dashboard", "fleet_demo"}
    assert heavy & loaded == set()
