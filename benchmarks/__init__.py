"""What is fast, and how fast: `make bench`. Each part reports its numbers with their targets."""
