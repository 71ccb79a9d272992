"""The store: tables and views as SQL files, the single writer, the published snapshots."""
