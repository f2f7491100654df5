"""Every step of the workouts of the shipped protocols, compared with an independent FIT reader (fitdecode, from PyPI).

    python3 .ci/second_workout.py [ASSIZE]

`assize brief` writes a workout and its steps as JSON. Read by the other reader, with its checks on, and gone through as a
head unit would, repeats and all, the workout must be the same steps: name, note, duration and target, and each target must
hold what the protocol asks.
"""

import json
import pathlib
import subprocess
import sys
import tempfile
import warnings

import environment

# By the public FIT profile.
TIME, OPEN_END, REPEAT = 0, 5, 6
SPEEDLESS, CADENCE, POWER = 2, 3, 4
WATTS_FROM = 1000
LONGEST_NAME, MOST_STEPS = 15, 50


def raw(frame, name):
    """A field as stored, whatever name the reader gives its meaning here."""
    for field in frame.fields:
        definition = field.parent_field or field.field
        if definition is not None and definition.name == name and not field.is_expanded:
            return field.raw_value
    return None


def read(file):
    """The workout's own count of lines, and the lines."""
    import fitdecode

    count, lines = None, []
    strict = dict(check_crc=fitdecode.CrcCheck.RAISE, error_handling=fitdecode.ErrorHandling.RAISE)
    with fitdecode.FitReader(str(file), **strict) as reader:
        for frame in reader:
            if not isinstance(frame, fitdecode.FitDataMessage):
                continue
            if frame.name == "file_id":
                assert frame.get_value("type") == "workout", frame.get_value("type")
            if frame.name == "workout":
                count = frame.get_value("num_valid_steps")
            if frame.name == "workout_step":
                names = (
                    "message_index duration_type duration_value target_type target_value custom_target_value_low "
                    "custom_target_value_high wkt_step_name notes"
                )
                lines.append({name: raw(frame, name) for name in names.split()})
    return count, lines


def text(value):
    value = value or ""
    return value.decode("ascii") if isinstance(value, bytes) else value


def way(lines):
    """What a head unit leads through: (name, note, milliseconds, power, cadence)."""
    done, began = [], {}
    for line in lines:
        began[line["message_index"]] = len(done)
        if line["duration_type"] == REPEAT:
            done += done[began[line["duration_value"]] :] * (line["target_value"] - 1)
            continue
        assert line["duration_type"] in (TIME, OPEN_END), line
        lasts_ms = line["duration_value"] if line["duration_type"] == TIME else None
        ends = line["custom_target_value_low"], line["custom_target_value_high"]
        power = cadence = None
        if line["target_type"] == POWER:
            power = tuple(end - WATTS_FROM for end in ends)
        elif line["target_type"] == CADENCE:
            cadence = ends
        else:
            assert line["target_type"] == SPEEDLESS and ends == (None, None), line
        done.append((text(line["wkt_step_name"]).rstrip("\0"), text(line["notes"]).rstrip("\0"), lasts_ms, power, cadence))
    return done


def told(step):
    shown = step["workout"]
    band = lambda name: None if shown[name] is None else (shown[name]["low"], shown[name]["high"])
    return shown["name"], shown["note"], shown["lasts_ms"], band("power_w"), band("cadence_rpm")


def wrong(step):
    """Where the workout's step is not what the protocol asks, in words."""
    name, _, lasts_ms, power, _ = told(step)
    planned, asked, watts = step["planned_s"], step["asked_s"], step["power_w"]
    if not (0 < len(name) <= LONGEST_NAME and name.isascii()):
        yield f"a name of {len(name)} characters"
    if (planned is None) != (lasts_ms is None) or planned is not None and abs(lasts_ms - 1000 * planned) > 0.5:
        yield f"{lasts_ms} ms for {planned} s"
    if planned is not None and asked is not None:
        if planned < (asked["low"] or 0) or planned > (asked["high"] or planned):
            yield f"{planned} s where {asked} is asked"
    if watts is not None:
        low, high = watts["low"] or watts["high"], watts["high"] or watts["low"]
        if power is None or power[0] > low + 0.5 or power[1] < high - 0.5:
            yield f"{power} W where {watts} is asked"
    elif power is not None:
        yield f"{power} W where nothing is asked"


def main():
    environment.start_again_with("second-reader", [environment.READER])
    assize = sys.argv[1:2] or ["cargo", "run", "--quiet", "--locked", "--"]
    problems, compared = [], 0
    with tempfile.TemporaryDirectory() as work:
        work = pathlib.Path(work)
        for protocol in sorted((environment.ROOT / "protocols").glob("*.yaml")):
            workout, steps = work / (protocol.stem + ".fit"), work / (protocol.stem + ".json")
            command = [*assize, "brief", str(protocol), "--workout", str(workout), "--json", str(steps)]
            subprocess.run(command, cwd=environment.ROOT, check=True, stdout=subprocess.DEVNULL)
            with warnings.catch_warnings(record=True) as warned:
                warnings.simplefilter("always")
                count, lines = read(workout)
            problems += [f"{protocol.stem}: the other reader warns: {w.message}" for w in warned]
            theirs, steps = way(lines), json.loads(steps.read_text())["steps"]
            ours = [told(step) for step in steps]
            if count != len(lines) or not 0 < len(lines) <= MOST_STEPS:
                problems.append(f"{protocol.stem}: {len(lines)} lines, {count} announced")
            if len(ours) != len(theirs):
                problems.append(f"{protocol.stem}: {len(ours)} steps here, {len(theirs)} there")
            pairs = enumerate(zip(ours, theirs), 1)
            problems += [f"{protocol.stem}: step {n}: {our} here, {their} there" for n, (our, their) in pairs if our != their]
            problems += [f"{protocol.stem}: {step['says']}: {why}" for step in steps for why in wrong(step)]
            compared += len(theirs)
            print(f"{protocol.stem}: {len(theirs)} steps in {len(lines)} lines")
    print("\n".join(problems) or f"all {compared} steps are the same here and there")
    return 1 if problems or not compared else 0


if __name__ == "__main__":
    sys.exit(main())
