"""The model of one home without any shortcut: what the tracker must equal, and lives drawn from it."""
