"""Simulated trials, judged as real ones: what a panel can show."""
