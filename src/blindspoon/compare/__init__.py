"""Each variant against the control: by ranks, by the mixed model, errors held over the family."""
