"""How often the verdicts are right: complete trials simulated and judged as real ones."""
