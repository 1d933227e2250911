"""What a table is: its columns, kinds and words, what goes in and what comes out."""
