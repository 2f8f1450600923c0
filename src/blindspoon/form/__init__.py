"""The score page: what tasters and the host fill in. No statistics, and no variant's name."""

from blindspoon.form.addition import Addition, plan_addition
from blindspoon.form.app import create_app
from blindspoon.form.desk import Desk, Tally
from blindspoon.form.events import Event
from blindspoon.form.opening import open_desk
from blindspoon.form.plan import Cautions
from blindspoon.form.server import Addresses, serve

__all__ = [
    "Addition",
    "Addresses",
    "Cautions",
    "Desk",
    "Event",
    "Tally",
    "create_app",
    "open_desk",
    "plan_addition",
    "serve",
]
