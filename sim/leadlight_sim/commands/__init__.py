"""The commands that the simulator adds to `leadlight`: one module a command."""
