"""Captures of pins: a file of level changes in, levels and characters out.  Sans-IO."""
