"""The screens of tackfree: Streamlit pages over the collector's answers."""
