"""What a page is made of: numbers with their keys, markup, figures, the page itself."""
