"""Real sockets under the sans-IO core: the only part of the library that imports asyncio, socket or time."""
