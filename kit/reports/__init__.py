"""What the partners see: charts, family pages, the index, the folder of a month."""
