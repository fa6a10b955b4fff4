"""The crew's board: what the station publishes in a folder, as pages for phones. It reads that folder and sends nothing back."""
