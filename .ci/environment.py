"""A script that needs packages from PyPI starts again inside a virtual environment that has them."""

import os
import pathlib
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parent.parent
# The reader of FIT files that the comparisons of recordings and of workouts share.
READER = "fitdecode==0.11.0"


def start_again_with(name, packages):
    """In `target/NAME`, made where it is missing."""
    venv = ROOT / "target" / name
    python = venv / "bin" / "python"
    if pathlib.Path(sys.prefix) == venv:
        return
    if not python.exists():
        subprocess.run([sys.executable, "-m", "venv", venv], check=True)
    subprocess.run([python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", *packages], check=True)
    os.execv(python, [python, *sys.argv])
