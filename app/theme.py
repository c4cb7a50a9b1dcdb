"""Our own look: colours, radii and system fonts as a Gradio theme; the rest is ``assets/style.css``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

STYLE = Path(__file__).parent / "assets" / "style.css"
FONTS = ("system-ui", "-apple-system", "Segoe UI", "Noto Sans", "sans-serif")
MONO = ("ui-monospace", "Cascadia Mono", "Noto Sans Mono", "monospace")


def theme() -> Any:
    """The theme; its fonts are names of installed fonts, nothing is fetched."""
    import gradio as gr

    petrol = gr.themes.Color(
        c50="#eef5f6", c100="#d8e8eb", c200="#b3d1d7", c300="#86b5bf", c400="#4f909e", c500="#1f7080", c600="#0f5c6c",
        c700="#0f4c5c", c800="#0d3f4c", c900="#0b333e", c950="#08252d", name="petrol",
    )  # fmt: skip
    stone = gr.themes.Color(
        c50="#faf9f6", c100="#f3f1ec", c200="#e4e1d9", c300="#cfcabf", c400="#a29c8f", c500="#767165", c600="#5b574d",
        c700="#45423a", c800="#2b2f31", c900="#1d2a33", c950="#12191e", name="stone",
    )  # fmt: skip
    return gr.themes.Base(
        primary_hue=petrol, secondary_hue=petrol, neutral_hue=stone, font=list(FONTS), font_mono=list(MONO),
        radius_size=gr.themes.sizes.radius_lg, text_size=gr.themes.sizes.text_lg,
    ).set(
        body_background_fill="*neutral_100", body_background_fill_dark="*neutral_950",
        button_primary_background_fill="*primary_700", button_primary_background_fill_hover="*primary_800",
        button_primary_background_fill_dark="*primary_300", button_primary_text_color="white",
        button_primary_background_fill_hover_dark="*primary_200", button_primary_text_color_dark="*neutral_950",
        button_secondary_background_fill="white", button_secondary_background_fill_hover="*primary_50",
        button_secondary_background_fill_dark="*neutral_800", button_secondary_text_color="*primary_800",
        button_secondary_background_fill_hover_dark="*neutral_700", button_secondary_text_color_dark="*primary_100",
        button_secondary_border_color="*primary_300", button_secondary_border_color_dark="*neutral_600",
        input_background_fill="*neutral_50", input_background_fill_dark="*neutral_950",
        input_border_color="*neutral_400", input_border_color_dark="*neutral_500", input_border_width="1px",
        block_background_fill="white", block_background_fill_dark="*neutral_900",
        block_border_width="0px", block_shadow="none", block_label_background_fill="transparent",
        block_title_text_color="*neutral_900", block_title_text_color_dark="*neutral_100",
        block_info_text_color="*neutral_600", block_info_text_color_dark="*neutral_300",
        body_text_color="*neutral_900", body_text_color_dark="*neutral_100",
        body_text_color_subdued="*neutral_600", body_text_color_subdued_dark="*neutral_300",
        link_text_color="*primary_700", link_text_color_dark="*primary_300",
    )  # fmt: skip
