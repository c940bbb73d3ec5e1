"""One durable POST of ``meter.read`` on SQLite, at 1, 16 and 64 clients.

Measures: token, validation, admission, hashing, the due days of two banks that run on the meter, one commit.
Against: a bare FastAPI route that validates the same body with the same models and has no database; at one client one
fdatasync is taken off the service's time.
To reach: 0.45, 0.80 and 1.0 of the bare route. The readings go round 1,000 manifolds, each read
once before the clock runs: the service has been running for a while.
"""

from __future__ import annotations

from tests.bench.frame import Row
from tests.bench.posting import Posts, against_bare, figures
from tests.bench.scene import meter_read

TYPE = "meter.read"
ROW = Row(
    "post meter.read",
    "One durable POST of a meter reading, of the manifold of two banks that run on it; SQLite.",
    lambda setting: against_bare(setting, Posts(meter_read, 1_000, 4_000, ahead=1_000, once=True), TYPE),
    lambda _: figures(TYPE, (0.45, 0.80, 1.0)),
)
