"""Tables, figures and the one-file report; it computes no statistic."""
