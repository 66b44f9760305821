"""The science: what a healthy pump system delivers, what a fault does to it, and what a log can prove. Pure."""
