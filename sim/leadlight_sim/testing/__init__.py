"""Testing: your own asyncio player on virtual time and over the modelled air."""
