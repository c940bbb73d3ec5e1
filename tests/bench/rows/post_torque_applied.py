"""One durable POST of ``torque.applied`` into an open rebuild of 30 entries, judged, at 1, 16 and 64 clients.

Measures: all that a single POST does, and the whole rebuild judged again before the answer. The torques of a round go
round 64 rebuilds on regulators of their own, each heard of once before the clock runs; the next round has 64 others, so
that each stays near 30 entries.
Against: a bare FastAPI route that validates the same body with the same models and has no database; at one client one
fdatasync is taken off the service's time.
To reach: 0.35, 0.60 and 0.75 of the bare route.
"""

from __future__ import annotations

from tests.bench.frame import Row
from tests.bench.posting import Posts, against_bare, figures
from tests.bench.scene import PER_ROUND, REBUILDS, torque_applied

TYPE = "torque.applied"
ROW = Row(
    "post torque.applied",
    "One durable POST of a torque into an open rebuild of 30 entries, judged before the answer; SQLite.",
    lambda setting: against_bare(setting, Posts(torque_applied, 2_000, PER_ROUND, ahead=REBUILDS), TYPE, work=30),
    lambda _: figures(TYPE, (0.35, 0.60, 0.75)),
)
