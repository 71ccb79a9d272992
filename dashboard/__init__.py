"""The pages and sheets: they read the published snapshot and nothing else."""
