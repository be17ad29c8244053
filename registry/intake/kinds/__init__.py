"""What each kind of upload means: where its labels lead, and which rules its rows obey."""
