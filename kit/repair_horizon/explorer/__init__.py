"""The explorer: one listing under changed assumptions. Tables first, then how they are shown."""
