"""What can be asked of a drive: by a key, by a typed line, by a script."""
