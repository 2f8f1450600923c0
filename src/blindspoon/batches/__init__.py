"""What was made: batches, their strengths, what else differs, readings and cautions."""
