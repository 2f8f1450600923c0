"""A trial and its scores -> comparisons, verdicts, and what lies behind them."""
