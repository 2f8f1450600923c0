"""Repeats of one trial in several kitchens -> pooled comparisons; values and statistics only."""

from blindspoon.kitchens.matching import matching_problems
from blindspoon.kitchens.pool import pool
from blindspoon.kitchens.record import pool_record
from blindspoon.kitchens.results import Kitchen, Own, Pool, PooledAttribute, PooledComparison

__all__ = [
    "Kitchen",
    "Own",
    "Pool",
    "PooledAttribute",
    "PooledComparison",
    "matching_problems",
    "pool",
    "pool_record",
]
