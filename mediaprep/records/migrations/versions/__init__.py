"""One file per step, numbered. A step that was released is never edited."""
