"""The job file, units, refusals and the records that everything shares."""
