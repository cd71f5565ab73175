"""Server-rendered pages by noun, pictures from plain data, templates and static files."""
