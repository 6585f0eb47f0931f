"""Imported last by the process that workers are forked from: what it holds by then stays for good.

The one module whose import is its effect, since that process can be told of nothing but modules. Afterwards no
collector looks through what was imported, there or in a forked process, and so copies its pages; and the process ends
at once, where it took all of it apart for a quarter of a second, with the command's output still open.
"""

import gc

gc.freeze()
