"""What every value means: column dictionary, contracts, job cards, layouts, settings."""
