"""What has to run, and running it: one capture is one idempotent function."""
