// Keeps an open page up to date. The service tells that something is new; the page then loads its own address again
// and takes over the parts that changed, unless somebody is at them: then it says so and leaves them alone.
"use strict";
(() => {
  const QUIET_MS = 10_000;
  const main = document.getElementById("content");
  const news = document.getElementById("news");
  if (!main || !news || !("EventSource" in window)) return;

  let source;
  let waiting;
  let last = 0;

  const parts = (root) => [...root.querySelectorAll("[data-part]")];

  // What a reader sees of an element; tokens of forms differ at every load, spans of time at every minute.
  const seen = (element) => {
    const copy = element.cloneNode(true);
    copy.querySelectorAll("input[name=once]").forEach((input) => input.remove());
    return copy.outerHTML.replace(/\d+ (second|minute|hour|day)s?/g, "");
  };

  const isBusy = (part) => {
    const { top, bottom } = part.getBoundingClientRect();
    const selection = window.getSelection();
    return (
      part.contains(document.activeElement) ||
      part.querySelector("details[open]") !== null ||
      (selection && !selection.isCollapsed && part.contains(selection.anchorNode)) ||
      // Its beginning is out of sight: taking it over would move what is read.
      (top < 0 && bottom > 0)
    );
  };

  const takeOver = (part, fresh) => {
    const above = part.getBoundingClientRect().bottom <= 0;
    const before = document.documentElement.scrollHeight;
    part.replaceWith(document.importNode(fresh, true));
    if (above) window.scrollBy(0, document.documentElement.scrollHeight - before);
  };

  const say = () => {
    if (news.firstChild) return;
    const link = document.createElement("a");
    link.href = location.href;
    link.textContent = "Show it";
    // The same address with a fragment would not be loaded again.
    link.addEventListener("click", (event) => {
      event.preventDefault();
      location.reload();
    });
    news.append("Something is new on this page. ", link);
  };

  const look = async () => {
    waiting = undefined;
    last = Date.now();
    let answer;
    try {
      answer = await fetch(location.href, { headers: { "Ullage-Live": "1" }, cache: "no-store" });
    } catch {
      return;
    }
    if (!answer.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    const theirs = fresh.getElementById("content");
    if (!theirs) return;
    const known = new Map(parts(theirs).map((part) => [part.dataset.part, part]));
    let left = parts(main).length !== known.size;
    for (const part of parts(main)) {
      const other = known.get(part.dataset.part);
      if (!other || seen(part) === seen(other)) continue;
      if (isBusy(part)) left = true;
      else takeOver(part, other);
    }
    // What is no part is only told of.
    const rest = (root) => {
      const copy = root.cloneNode(true);
      parts(copy).forEach((part) => part.remove());
      return copy.textContent.replace(/\d+ (second|minute|hour|day)s?/g, "").replace(/\s+/g, " ");
    };
    if (left || rest(main) !== rest(theirs)) say();
  };

  const soon = () => {
    if (waiting === undefined) waiting = setTimeout(look, Math.max(0, last + QUIET_MS - Date.now()));
  };

  // A page that nobody looks at holds no connection: a browser has only a few for each site.
  const listen = () => {
    if (document.visibilityState === "hidden") {
      source?.close();
      source = undefined;
      clearTimeout(waiting);
      waiting = undefined;
      return;
    }
    if (source) return;
    const again = last > 0;
    last ||= Date.now();
    source = new EventSource("/changes");
    source.addEventListener("change", soon);
    if (again) soon();
  };

  document.addEventListener("visibilitychange", listen);
  listen();
})();
