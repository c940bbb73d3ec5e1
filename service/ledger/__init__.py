"""What may be recorded and what follows from it.

``admit``, ``rebuild``, ``register``, ``judge`` and ``due`` are pure.
"""
