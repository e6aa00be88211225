"""What several pages draw: parts of a page, built from page_data and the figures."""
