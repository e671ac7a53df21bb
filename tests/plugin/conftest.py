"""The example is a project of its own: it is copied before it is run."""

collect_ignore = ["example"]
