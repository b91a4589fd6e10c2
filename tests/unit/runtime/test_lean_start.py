"""Heavy libraries load when they are needed: an agent that watches and waits has none of them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from agent.assessment.repeatability import range_factor

HEAVY = (
    "scipy",
    "statsmodels",
    "pandas",
    "influxdb_client",
    "apprise",
    "amqtt",
    "jinja2",
    "starlette",
    "uvicorn",
    "serial",
    "rich",
)
SCRIPT = """\
import sys
from pathlib import Path
import agent.commands.main, agent.commands.run
from agent.runtime.service import Service
from agent.settings.load import load
service = Service(load(Path(sys.argv[1])))
service.journal.close()
print(*sorted({name.partition(".")[0] for name in sys.modules}))
"""
SERVED = """\
import gc, sys, threading
from pathlib import Path
import agent.commands.main, agent.commands.run
from agent.runtime.service import Service
from agent.settings.load import load
stop = threading.Event()
threading.Timer(3.0, stop.set).start()
Service(load(Path(sys.argv[1]))).serve(stop)
print(gc.get_freeze_count(), len(gc.get_objects()))
"""
FITTED = """\
import json, sys
import numpy
from agent.runtime import forehand
class FailsOnce:
    def find_spec(self, name, path=None, target=None):
        if name == "scipy.special":
            sys.meta_path.remove(self)
            raise RuntimeError("not without all parts of numpy")
if sys.argv[1] == "fails":
    sys.meta_path.insert(0, FailsOnce())
forehand.load()
left_out = [name for name in forehand.NOT_NEEDED if f"numpy.{name}" not in sys.modules]
from scipy.special import log_ndtr, ndtr, ndtri, stdtr, stdtrit
from agent.assessment.repeatability import range_factor
found = [ndtr(1.0), log_ndtr(-3.0), ndtri(0.975), stdtr(4.0, 2.0), stdtrit(5.0, 0.975), range_factor(40)]
import numpy.testing
numpy.testing.assert_equal(numpy.random.default_rng(1).normal(size=9).shape, (9,))
print(json.dumps([left_out, found]))
"""
SITE = """\
[agent]
id = "edge-7"
state_dir = "state"
[mqtt]
root = "yard"
[influx]
url = "http://127.0.0.1:9"
org = "yard"
bucket = "flow"
token_file = "token"
[[setups]]
name = "gearbox-primer"
fluid = "n-butyl acetate"
target_g_per_min = 84.0
tolerance_pct = 5.0
shot_s = 20.0
shots = 3
[[cells]]
id = "booth-2"
  [[cells.scales]]
  id = "bench"
  resolution_g = 0.05
  capacity_g = 4200.0
  [[cells.guns]]
  id = "port"
  scale = "bench"
"""


def test_a_wired_service_has_loaded_no_heavy_library(tmp_path: Path) -> None:
    config = tmp_path / "site.toml"
    config.write_text(SITE)
    (tmp_path / "token").write_text("made-up")
    (tmp_path / "token").chmod(0o600)
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(config)], capture_output=True, text=True, check=True, timeout=60
    )
    loaded = set(done.stdout.split())
    assert {"paho", "numpy", "pydantic"} <= loaded
    assert not loaded & set(HEAVY)


def test_what_lasts_is_set_aside_from_the_collector(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    done = subprocess.run(
        [sys.executable, "-c", SERVED, str(tmp_path / "site.toml")],
        capture_output=True,
        text=True,
        check=True,
    )
    frozen, tracked = map(int, done.stdout.split())
    assert frozen > 5 * tracked


@pytest.mark.parametrize(("first", "left_out"), [("succeeds", ["f2py", "random", "testing"]), ("fails", [])])
def test_the_fit_loads_without_what_it_does_not_need(first: str, left_out: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-c", FITTED, first], capture_output=True, text=True, check=True, timeout=60
    )
    found = json.loads(done.stdout)
    assert found[0] == left_out
    # Tables of the normal and of Student's distribution; for 40 readings no table of ours has the factor.
    assert found[1][:5] == pytest.approx([0.841345, -6.607726, 1.959964, 0.941942, 2.570582], abs=1e-6)
    assert found[1][5] == pytest.approx(range_factor(40), rel=1e-9)
