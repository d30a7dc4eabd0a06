"""Script that Streamlit runs for every visit; the page itself is in main.py."""

from gapvision.page.main import show

show()
