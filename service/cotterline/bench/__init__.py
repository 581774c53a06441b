"""The pure core: values in, values out. No I/O, clock, random numbers, environment or logging.

The one exception is ``data``, which reads the sourced facts that ship with the package, once, on import.
"""
