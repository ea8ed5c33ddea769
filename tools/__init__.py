"""What developers run: pages and pictures made from the code."""
