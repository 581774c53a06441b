"""What became of a job on the stand: what was measured after fitting, and what to do where it missed."""
