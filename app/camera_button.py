"""The big button that takes or chooses a photo and sends it by the page's own upload route.

The file goes straight to `/photo` and its hash comes back into the page's address, so that a reload, a lost connection
or a phone that closes the page while its camera is open loses nothing that was sent.
"""

import streamlit as st

TAKEN_IN = "photos_taken_in"
HTML = """
<div class="shot">
  <label class="take"><input type="file" accept="image/*" capture="environment"><span></span></label>
  <label class="choose"><input type="file" accept="image/*,.heic,.heif"><span></span></label>
  <div class="state" role="status" aria-live="polite"></div>
</div>
"""
CSS = """
.shot { display: grid; gap: .5rem; font-family: inherit; }
.shot label { display: block; border-radius: .75rem; padding: 1rem; text-align: center; font-size: 1.1rem;
  font-weight: 600; cursor: pointer; border: 2px solid #0f5c73; }
.shot .take { background: #0f5c73; color: #fff; display: none; }
.shot .choose { background: #fff; color: #0f5c73; }
.shot.have { grid-template-columns: 1fr 1fr; }
.shot.have label { padding: .6rem .4rem; font-size: 1rem; }
.shot.have .state { display: none; }
.shot.have .state.bad { display: block; grid-column: 1 / -1; }
.shot.have .take { background: #fff; color: #0f5c73; }
.shot input { position: absolute; width: 1px; height: 1px; opacity: 0; }
.shot label:focus-within { outline: 3px solid #bd5418; outline-offset: 2px; }
.shot .state { min-height: 1.4rem; font-size: .95rem; color: #2b2622; }
.shot .state.bad { color: #8a3a0c; font-weight: 600; }
@media (hover: none) { .shot .take { display: block; } }
"""
JS = """
const WAIT_MS = [500, 1500, 4000, 8000, 15000];

function send(shot, file, name, attempt, done) {
  const state = shot.querySelector(".state");
  const say = (words, bad) => { state.textContent = words; state.classList.toggle("bad", !!bad); };
  const again = () => {
    if (attempt >= WAIT_MS.length) {
      say("The connection is lost. The photo is still here: tap to send it again.", true);
      state.onclick = () => { state.onclick = null; send(shot, file, name, 0, done); };
      return;
    }
    say("The connection was lost, trying again ...", true);
    setTimeout(() => send(shot, file, name, attempt + 1, done), WAIT_MS[attempt]);
  };
  const post = new XMLHttpRequest();
  post.open("POST", "/photo?name=" + encodeURIComponent(name));
  post.setRequestHeader("Accept", "application/json");
  post.timeout = 60000;
  post.upload.onprogress = (e) => {
    if (e.lengthComputable) say("Sending " + Math.round(100 * e.loaded / e.total) + " %");
  };
  post.onerror = again;
  post.ontimeout = again;
  post.onload = () => {
    let answer = {};
    try { answer = JSON.parse(post.responseText); } catch (e) { /* said below */ }
    if (post.status === 200) { say("Photo is in."); done(answer.sha256); }
    else if (answer.error) { say(answer.error, true); }
    else { again(); }
  };
  say("Sending ...");
  post.send(file);
}

export default function (component) {
  const { parentElement, data, setStateValue } = component;
  const shot = parentElement.querySelector(".shot");
  shot.classList.toggle("have", !!data.have);
  if (data.have) shot.querySelector(".state").classList.remove("bad");
  shot.querySelector(".take span").textContent = data.have ? "Take again" : "Take photo";
  shot.querySelector(".choose span").textContent = data.have ? "Choose another" : "Choose photo";
  for (const input of shot.querySelectorAll("input")) {
    input.setAttribute("aria-label", data.label);
    input.onchange = () => {
      const file = input.files[0];
      if (!file) return;
      send(shot, file, data.name, 0, (sha256) => {
        const url = new URL(window.location.href);
        url.searchParams.set(data.name, sha256);
        if (!url.searchParams.has("since")) url.searchParams.set("since", String(Math.floor(Date.now() / 1000)));
        window.history.replaceState(window.history.state, "", url);
        input.value = "";
        setStateValue("sent", sha256 + "." + Date.now());
      });
    };
  }
}
"""


def camera_button(name: str, label: str, have: bool) -> str | None:
    """One photo's button; gives the hash of a photo that has just come in, once.

    The address has it too, written by the browser itself: that is what a reload goes by.
    """
    data = {"name": name, "label": label, "have": have}
    found = _component()(key=f"shot_{name}", data=data, on_sent_change=lambda: None)
    sent = getattr(found, "sent", None)
    taken_in = st.session_state.setdefault(TAKEN_IN, set())
    if not isinstance(sent, str) or sent in taken_in:
        return None
    taken_in.add(sent)
    return sent.split(".")[0]


@st.cache_resource
def _component():  # type: ignore[no-untyped-def]
    return st.components.v2.component("cake_shot", html=HTML, css=CSS, js=JS)
