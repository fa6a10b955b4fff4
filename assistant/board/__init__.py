"""The crew's board: the station publishes in a folder what the crew may know; a process of its own serves that as pages."""
