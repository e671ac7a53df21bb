"""What the schedule's kernel is made of; see `bench.kernels.schedule`."""
