"""Serial ports and port URLs, opened by pyserial and driven with a discipline."""
