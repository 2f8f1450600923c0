"""The procedures, on arrays alone: no trial, no file, no words."""
