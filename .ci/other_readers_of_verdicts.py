"""What `assize judge` writes for build servers and spreadsheets, as readers other than the project's own see it.

    python3 .ci/other_readers_of_verdicts.py

The cases by junitparser (from PyPI), the lines by Python's csv module, both beside the JSON: as many as there are
checks, green exactly where the session passes, every number the same.
"""

import csv
import json
import os
import pathlib
import subprocess
import sys
import tempfile

READER = "junitparser==5.0.3"
ROOT = pathlib.Path(__file__).resolve().parent.parent
NUMBERS = [
    "value",
    "expanded_uncertainty",
    "coverage_factor",
    "limit_low",
    "limit_high",
    "conformance_probability",
]


def with_reader():
    """Starts again inside a virtual environment that has the other reader."""
    venv = ROOT / "target" / "junit-reader"
    python = venv / "bin" / "python"
    if pathlib.Path(sys.prefix) == venv:
        return
    if not python.exists():
        subprocess.run([sys.executable, "-m", "venv", venv], check=True)
    subprocess.run([python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", READER], check=True)
    os.execv(python, [python, __file__, *sys.argv[1:]])


def checks(verdict):
    listed = [check for part in ("phases", "repeats") for item in verdict[part] for check in item["checks"]]
    return listed + verdict["contrasts"] + verdict["whole_ride"]


def compare(demo, folder):
    import junitparser

    program = os.environ.get("ASSIZE", str(ROOT / "target/release/assize"))
    to = {option: folder / f"{demo}.{option}" for option in ("json", "sheet", "csv", "junit")}
    options = [word for option, file in to.items() for word in (f"--{option}", str(file))]
    session = ROOT / "demo-data" / demo / "session.yaml"
    subprocess.run([program, "judge", session, "--exit-zero", *options], check=True, stdout=subprocess.DEVNULL)
    verdict = json.loads(to["json"].read_text())

    suites = junitparser.JUnitXml.fromfile(str(to["junit"]))
    cases = [case for suite in suites for case in suite]
    results = [result for case in cases for result in case.result]
    red = [result for result in results if isinstance(result, (junitparser.Failure, junitparser.Error))]
    assert suites.tests == len(cases) >= len(checks(verdict)) > 50, (suites.tests, len(cases))
    assert suites.failures + suites.errors == len(red), (suites.failures, suites.errors, len(red))
    assert (not red) == (verdict["verdict"] == "pass"), (verdict["verdict"], red)
    assert all(result.message for result in results), "a case that does not pass says why"

    with to["csv"].open(newline="") as lines:
        lines = [line for line in csv.DictReader(lines) if line["measure"]]
    assert len(lines) == len(checks(verdict))
    for line, check in zip(lines, checks(verdict)):
        assert line["measure"] == check["measure"] and line["verdict"] == check["verdict"], (line, check)
        for key in NUMBERS:
            assert (float(line[key]) if line[key] else None) == check[key], (key, line[key], check[key])
    print(f"{demo}: {len(cases)} cases, {len(red)} of them red, {len(lines)} lines")


def main():
    with_reader()
    with tempfile.TemporaryDirectory() as folder:
        for demo in ("bench-sound", "bench-faulty"):
            compare(demo, pathlib.Path(folder))


if __name__ == "__main__":
    main()
