// Pages work without this. With it, Today and a property stay up to date while
// they are looked at, and answering an alarm keeps the place on the page.
(() => {
  "use strict";
  const every = 30000;
  const busy = () => {
    const at = document.activeElement;
    return document.hidden || document.querySelector("main details[open]") || (at && at.matches("input, select, textarea"));
  };
  const swap = (text, url) => {
    const next = new DOMParser().parseFromString(text, "text/html");
    const now = document.querySelector("main"), then = next.querySelector("main");
    if (!now || !then) { location.assign(url); return; }
    const at = document.activeElement, href = at && at.matches("main a[href]") ? at.getAttribute("href") : null;
    now.replaceWith(document.adoptNode(then));
    document.title = next.title;
    if (href) { document.querySelector('main a[href="' + CSS.escape(href) + '"]')?.focus(); }
  };
  const refresh = async () => {
    if (busy()) { return; }
    try {
      const r = await fetch(location.href, {credentials: "same-origin", redirect: "manual"});
      if (r.ok) { swap(await r.text(), location.href); }
    } catch { /* the next round tries again */ }
  };
  setInterval(refresh, every);
  // Where the page can hear of changes it is brought up to date within a second
  // or two; nobody listens from a page that nobody sees.
  const where = document.querySelector("main")?.dataset.changes;
  let news = null;
  const listen = () => {
    if (document.hidden) { news?.close(); news = null; return; }
    if (!where || news) { return; }
    news = new EventSource(where);
    news.addEventListener("changed", refresh);
  };
  listen();
  document.addEventListener("visibilitychange", () => { listen(); refresh(); });
  document.addEventListener("submit", async (e) => {
    const form = e.target;
    if (!form.matches("form.answer")) { return; }
    e.preventDefault();
    form.querySelector("button").disabled = true;
    try {
      const r = await fetch(form.action, {method: "POST", body: new URLSearchParams(new FormData(form)), credentials: "same-origin"});
      if (r.ok) { swap(await r.text(), r.url); document.querySelector("main").focus(); return; }
    } catch { /* send it the plain way below */ }
    form.submit();
  });
})();
