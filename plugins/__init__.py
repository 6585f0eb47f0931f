"""Built-in plugins: thin adapters over kernels, found through the same door as a stranger's."""
