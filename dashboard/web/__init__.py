"""What all pages and routes share: the page's shell, middleware, responses, request bodies."""
