"""Cautions: what the program does not decide."""

import streamlit as st

FOOD = """
**The program never calls a food safe.** It measures shape, colour and decoration from photos.

- Local codes, your own food-safety plan and licensed practice decide. When in doubt, ask the authority that
  inspects your kitchen.
- For cream cakes the minutes for photos count. As a guide only, and not in your place's law:
    - United States, model Food Code 3-501.16 and 3-501.19: held at 5 °C (41 °F) or below, or time as the control with
      discarding by 4 hours.
    - United Kingdom: 8 °C or below, or one display period under 4 hours.
    - Australia and New Zealand: the 2-hour/4-hour rule; all times out of the cold add up.
- Buttercream is not automatically fit for the shelf; its recipe and your plan decide.
"""
KITCHEN = """
- The card and the phone are no food-contact surfaces: put them beside the board, never on or over the cake.
- Wipe the card and the phone between cakes, and wash hands after the phone.
- A card that goes from a nut cake to a nut-free one carries allergens. Keep one card for each side of the bench.
- **Allergens are never read from a photo.** They come from the recipe.
"""
PEOPLE = """
- Scores are about cakes, for coaching. The program ranks nobody and decides nothing about a person. Rules on automated
  decisions and on monitoring at work may apply to you (such as Article 22 of the GDPR in the European Union and in the
  United Kingdom, with its regulator's guidance on monitoring workers); other places have their own: take advice.
- Use pseudonyms. No hands and no faces in the photos.
- The decorator sees a result first and can comment on it before it counts in a trend.
- Set a limit to how long records are kept.
- No trend under ten comparable cakes, and only within one kind of cake.
- Inside the uncertainty the verdict is "too close to call": your eye decides.
"""


def run() -> None:
    """Plain words, nothing else."""
    st.title("Cautions")
    st.subheader("Food")
    st.markdown(FOOD)
    st.subheader("Kitchen")
    st.markdown(KITCHEN)
    st.subheader("People")
    st.markdown(PEOPLE)


run()
