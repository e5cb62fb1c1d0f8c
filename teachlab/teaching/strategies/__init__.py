"""One strategy a file, and nothing else."""
