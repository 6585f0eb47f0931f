"""The Python facade; every front door calls this and nothing else."""
