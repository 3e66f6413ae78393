// Keeps the page new: the server says when there is something newer, and the parts of the page that have changed are
// taken from it. Without this script the page is the same, and a reload does it.
"use strict";
(() => {
  const shown = document.getElementById("live");
  let source = null, busy = false, again = false;

  const say = (text) => { if (shown.textContent !== text) shown.textContent = text; };

  function take(next) {
    const headline = (d) => d.querySelector("h1")?.textContent ?? "";
    const before = headline(document);
    for (const part of document.querySelectorAll("[data-part]")) {
      const fresh = next.getElementById(part.id);
      if (!fresh || fresh.innerHTML === part.innerHTML) continue;
      const focused = part.contains(document.activeElement) ? document.activeElement.id : "";
      part.replaceChildren(...fresh.childNodes);
      if (focused && focused !== part.id) document.getElementById(focused)?.focus({ preventScroll: true });
    }
    document.title = next.title;
    const now = headline(document);
    if (now !== before) document.getElementById("announce").textContent = now;
  }

  async function refresh() {
    if (busy) { again = true; return; }
    busy = true;
    do {
      again = false;
      try {
        const answer = await fetch(location.pathname + location.search, { headers: { Accept: "text/html" } });
        if (answer.redirected) { location.assign(answer.url); return; }
        if (!answer.ok) throw new Error(answer.status);
        take(new DOMParser().parseFromString(await answer.text(), "text/html"));
        say("live");
      } catch {
        say("not live: reload for the newest");
      }
    } while (again);
    busy = false;
  }

  function connect() {
    if (source) return;
    source = new EventSource("/events");
    source.addEventListener("open", () => say("live"));
    source.addEventListener("newer", refresh);
    source.addEventListener("error", () => say("not live: reload for the newest"));
  }

  function rest() { source?.close(); source = null; }

  // What an act came to is said once, not at each reload.
  const address = new URL(location.href);
  if (address.searchParams.has("said")) {
    address.searchParams.delete("said");
    history.replaceState(null, "", address);
  }

  // A page that nobody looks at holds no connection.
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) rest(); else { connect(); refresh(); }
  });
  addEventListener("pagehide", rest);
  addEventListener("pageshow", (e) => { if (e.persisted) { connect(); refresh(); } });
  connect();
})();
