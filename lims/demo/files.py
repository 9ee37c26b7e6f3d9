"""Write what a simulated rig recorded as the rig's own program would: a CSV file with notes and time stamps."""

from __future__ import annotations

import io
from collections.abc import Mapping
from datetime import timedelta

import numpy as np

from lims.demo.simulator import Recording

PLACES = {"W": 3, "degC": 3, "L/min": 4, "um": 2, "N": 2}


def run_file(recording: Recording, *, notes: Mapping[str, str]) -> bytes:
    """The recording as a CSV file: `# key: value` notes, a header with units, one row an instant."""
    names = list(recording.columns)
    header = ["time [s]", *(f"{name} [{recording.units[name]}]" for name in names)]
    places = [1, *(PLACES[recording.units[name]] for name in names)]
    rows = np.column_stack([recording.time, *(recording.columns[name] for name in names)])
    text = io.StringIO()
    started = {"start": recording.begin.isoformat(timespec="seconds")}
    for key, value in (dict(notes) | started).items():
        text.write(f"# {key}: {value}\n")
    text.write(",".join(header) + "\n")
    np.savetxt(text, rows, fmt=[f"%.{n}f" for n in places], delimiter=",")
    return text.getvalue().encode()


def without(recording: Recording, *, last: timedelta) -> Recording:
    """The recording with its end cut off, as after a lost connection."""
    keep = recording.time <= recording.time[-1] - last.total_seconds()
    columns = {name: values[keep] for name, values in recording.columns.items()}
    return Recording(recording.time[keep], columns, recording.units, recording.begin)
