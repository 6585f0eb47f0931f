"""The archive: commit protocol, catalogue, inbox, verify. It knows nothing of signals."""
