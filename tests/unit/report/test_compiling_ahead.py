"""What is compiled while a demo's clinic is written must be what its report then needs."""

import shutil
import subprocess
import sys
import time

from outcomes.report import kernel

# Counted in a process of its own: others' arrays may have led to more compiled versions.
COUNT = """
import sys
import outcomes as oc
from outcomes.glucose.ahead import compile_pass

def versions():
    files = ("kernel", "window_kernel", "gaps")
    names = [vars(sys.modules["outcomes.glucose." + file]) for file in files]
    made = [value for each in names for value in each.values() if hasattr(value, "signatures")]
    return {function.__name__: len(function.signatures) for function in made}

compile_pass()
ahead = versions()
cohorts = oc.build_cohorts(oc.open_study(sys.argv[1]), oc.read_plan(sys.argv[2]))
oc.time_in_range(cohorts), oc.sensor_wear(cohorts)
assert ahead["day_sums"] == ahead["window_sums"] == ahead["gaps"] == 1, ahead
assert versions() == ahead, (ahead, versions())
"""


def test_a_report_needs_nothing_that_was_not_compiled_ahead(demo, tmp_path):
    study = tmp_path / "study"  # of which no pass is remembered
    shutil.copytree(demo / "study", study)
    arguments = [sys.executable, "-c", COUNT, str(study), str(demo / "clinic" / "plan.toml")]
    ran = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr


def test_compiling_ahead_that_fails_or_lasts_harms_nothing(monkeypatch):
    for code in ("raise SystemExit(3)", "import time; time.sleep(60)"):
        monkeypatch.setattr(kernel, "_AHEAD", code)
        began = time.monotonic()
        with kernel.compiling_ahead():
            pass
        assert time.monotonic() - began < 30
