"""Who gets which cup, when, and under which code: a request and a random stream -> a plan."""

from blindspoon.serving.balance import Balance, Span
from blindspoon.serving.blind import add_taster, draw, taster_stream
from blindspoon.serving.codes import CodeRule
from blindspoon.serving.orders import williams
from blindspoon.serving.plan import Serving, ServingPlan, plan_from_rows, plan_of
from blindspoon.serving.request import ServingRequest, check_request, request_for

__all__ = [
    "Balance",
    "CodeRule",
    "Serving",
    "ServingPlan",
    "ServingRequest",
    "Span",
    "add_taster",
    "check_request",
    "draw",
    "plan_from_rows",
    "plan_of",
    "request_for",
    "taster_stream",
    "williams",
]
