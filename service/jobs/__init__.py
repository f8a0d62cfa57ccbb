"""Work that may wait: the worker's counterpart of the routers, a module for each noun.

Every task works from what is on record when it runs, so running one twice, late or after a crash does no harm.
"""
