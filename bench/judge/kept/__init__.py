"""What the judge keeps while a trial runs; none of it grows with the trial."""
