"""What is installed is all that is needed: a wheel holds every file of both packages, and extras are extras."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from zipfile import ZipFile

ROOT = Path(__file__).parent.parent


def test_a_wheel_holds_templates_static_files_migrations_and_the_demonstration(tmp_path: Path) -> None:
    """Built without any index, from the sources as they are."""
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-index", "--no-deps", "--no-build-isolation"]
    subprocess.run([*command, "--wheel-dir", tmp_path, ROOT], check=True, capture_output=True, timeout=120)
    (wheel,) = tmp_path.glob("calplan-*.whl")
    with ZipFile(wheel) as file:
        held = set(file.namelist())
    sources = {
        path.relative_to(ROOT).as_posix()
        for package in ("calplan", "web")
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert {path.split("/")[1] for path in sources if path.startswith("web/")} >= {"templates", "static", "migrations"}
    assert sources - held == set()


def test_the_service_needs_no_extra() -> None:
    """With SQLite nothing of the extra ``postgresql`` is imported: the plain installation serves."""
    script = "import sys; sys.modules['psycopg'] = None; import web.__main__, web.upkeep"
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
