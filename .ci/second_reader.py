"""Every value of every record, compared with an independent FIT reader (fitdecode, from PyPI).

    python3 .ci/second_reader.py FOLDER_OF_RECORDINGS

Reads the recordings of the folder and of a session that `assize rehearse` writes. What the other reader finds must be
found here too, value by value; in a sound file nothing more may be found. What `rehearse` writes, it must accept without
a warning.
"""

import collections
import csv
import os
import pathlib
import subprocess
import sys
import tempfile
import warnings

import environment

# FIT counts seconds from 1989-12-31T00:00:00Z (public FIT profile, type `date_time`).
FIT_EPOCH_UNIX_S = 631065600


def theirs(file, strict):
    """Records as {channel: [(time, value)]}, and whether the file was read to its end."""
    import fitdecode

    errors = fitdecode.ErrorHandling.RAISE if strict else fitdecode.ErrorHandling.IGNORE
    crc = fitdecode.CrcCheck.RAISE if strict else fitdecode.CrcCheck.DISABLED
    found = collections.defaultdict(list)
    try:
        with fitdecode.FitReader(str(file), check_crc=crc, error_handling=errors) as reader:
            for frame in reader:
                if isinstance(frame, fitdecode.FitDataMessage) and frame.name == "record":
                    record(frame, found)
    except fitdecode.FitError as error:
        if strict:
            raise
        return found, str(error) or type(error).__name__
    return found, None


def record(frame, found):
    first = {}
    for field in frame.fields:
        if field.value is None:
            continue
        developer = type(field.field_def).__name__ == "DevFieldDefinition"
        first.setdefault("developer " + str(field.name) if developer else field.name, field)
    if "timestamp" not in first:
        return
    # Below 0x10000000 a stamp counts from power-on, which the other reader leaves a number.
    stamp = first["timestamp"].value
    time = stamp + FIT_EPOCH_UNIX_S if isinstance(stamp, int) else stamp.timestamp()
    value = lambda name: first[name].value if name in first else None
    either = lambda one, other: value(one) if value(one) is not None else value(other)
    values = {name: value(name) for name in ("power", "heart_rate", "temperature", "distance")}
    values["speed"] = either("enhanced_speed", "speed")
    values["altitude"] = either("enhanced_altitude", "altitude")
    values["cadence"] = None if value("cadence") is None else value("cadence") + (value("fractional_cadence") or 0)
    for ours, name in (("latitude", "position_lat"), ("longitude", "position_long")):
        values[ours] = first[name].raw_value * 180 / 2**31 if name in first else None
    if "left_right_balance" in first and first["left_right_balance"].raw_value & 0x80:
        values["right_share"] = first["left_right_balance"].raw_value & 0x7F
    values.update({name: f.value for name, f in first.items() if name.startswith("developer ")})
    found["time"].append((time, time))
    for name, v in values.items():
        if isinstance(v, (int, float)):
            found[name].append((time, float(v)))


def ours(table):
    found = collections.defaultdict(list)
    with open(table, newline="") as lines:
        for row in csv.DictReader(lines):
            for name, cell in row.items():
                if cell:
                    found[name].append((float(row["time"]), float(cell)))
    return found


def same(a, b):
    return a[0] == b[0] and abs(a[1] - b[1]) <= 1e-9 * max(1, abs(a[1]))


def compare(name, we, they, whole):
    """Differences, in words."""
    for channel in sorted(they):
        mine, other = sorted(we.get(channel, [])), sorted(they[channel])
        if whole and len(mine) != len(other):
            yield f"{name}: {channel}: {len(mine)} values here, {len(other)} there"
            continue
        if not whole:
            # The other reader stopped early: what it has must be here.
            rest = iter(mine)
            missing = [pair for pair in other if not any(same(pair, m) for m in rest)]
            if missing:
                yield f"{name}: {channel}: {len(missing)} values only there, first {missing[0]}"
            continue
        wrong = [pair for pair in zip(mine, other) if not same(*pair)]
        if wrong:
            yield f"{name}: {channel}: {len(wrong)} of {len(other)} values differ, first {wrong[0]}"


def main():
    environment.start_again_with("second-reader", [environment.READER])
    recordings = pathlib.Path(sys.argv[1]).resolve()
    with tempfile.TemporaryDirectory() as work:
        work = pathlib.Path(work)
        tables, rehearsed = work / "tables", work / "rehearsed"
        tables.mkdir()
        protocol = environment.ROOT / "protocols" / "bench-both-rings.yaml"
        cargo = lambda *args, **env: subprocess.run(
            ["cargo", *args], cwd=environment.ROOT, check=True, stdout=subprocess.DEVNULL, env={**os.environ, **env}
        )
        rehearse = ["rehearse", str(protocol), "--sound", "--shifting", "electronic", "--out", str(rehearsed)]
        # A pause, a second file, a clock that counts from 1989, seconds never written.
        for mishap in "phone-stop", "auto-pause-coasting@P", "restart@P", "clock-unset@017", "irregular@T":
            rehearse += ["--mishap", mishap]
        cargo("run", "--quiet", "--locked", "--", *rehearse)
        folders = os.pathsep.join([str(recordings), str(rehearsed)])
        dump = ["test", "--quiet", "--locked", "--test", "cases", "--", "--ignored", "second_reader::"]
        cargo(*dump, ASSIZE_DUMP_FROM=folders, ASSIZE_DUMP_TO=str(tables))

        problems, compared = [], 0
        for file in sorted(recordings.glob("*.fit")) + sorted(rehearsed.glob("*.fit")):
            made_here = file.parent == rehearsed
            with warnings.catch_warnings(record=True) as warned:
                warnings.simplefilter("always")
                they, stopped = theirs(file, strict=made_here)
            we = ours(tables / (file.stem + ".csv"))
            if made_here:
                problems += [f"{file.name}: the other reader warns: {w.message}" for w in warned]
            problems += compare(file.name, we, they, whole=stopped is None)
            values = sum(len(v) for v in they.values())
            compared += values
            print(f"{file.name}: {values} values in {len(they)} channels" + (f", then {stopped}" if stopped else ""))
            if not values and not stopped:
                problems.append(f"{file.name}: the other reader found nothing")
        print("\n".join(problems) or f"all {compared} values are the same here and there")
        return 1 if problems or not compared else 0


if __name__ == "__main__":
    sys.exit(main())
