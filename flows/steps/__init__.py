"""The verbs of the path: plain functions on a shop's warehouse, no Prefect here."""
