"""Papers made from the published snapshot: one self-contained file each."""
