"""The outcomes, one file each: every measure takes a cohort set and returns a `Result`."""
