"""The only home of matplotlib: figures, pages, PDF."""
