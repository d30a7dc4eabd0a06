"""The page: ``streamlit run app.py`` or, for the workshop's network too, ``gapvision page``."""

import streamlit as st

from gapvision.page.server import CONFIG, ENTRY, parts

app = st.App(str(ENTRY), **parts())

if __name__ == "__main__":
    app.run(config=CONFIG)
