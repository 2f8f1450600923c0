"""What was made: batches, their strengths, what else differs, readings and cautions.

`read` is the only way in; every other module makes plain values from the `BatchLog` it gives.
"""
