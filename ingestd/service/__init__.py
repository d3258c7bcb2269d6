"""The long-running service, and how it is installed, checked and watched."""
