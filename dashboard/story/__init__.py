"""The parts of the page of a bike and job; only the chosen one is drawn."""
