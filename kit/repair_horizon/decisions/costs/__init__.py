"""What a unit costs and brings, one formula sheet a file."""
