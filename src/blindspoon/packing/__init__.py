"""All that is sent out: the page, figures, data as a Data Package, a kit to repeat the trial."""
