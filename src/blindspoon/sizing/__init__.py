"""How many tasters and sessions a trial needs: simulated trials, judged as real ones are."""
