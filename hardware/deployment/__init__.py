"""A station that starts by itself: its service, its device rules, its bundle for a site without network, its releases."""
