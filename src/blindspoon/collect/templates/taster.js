// Saves each answer as it is given, and keeps trying while the connection is lost: cups can be gone
// through meanwhile. Without it the pages work the same, and an answer is saved with the button.
"use strict";
(function () {
  const words = JSON.parse(document.currentScript.dataset.words);
  const home = document.querySelector("main").dataset;
  const LONGEST = 15;
  let form, state, ticking = 0;
  let busy = false, failures = 0, timer = 0, dirty = false, pause = 0, leaving = "", sent = false, behind = false;
  let offered = [];

  // Something by address that outlives the page where the phone allows it.
  function kept(key, storage) {
    let memory = {};
    return {
      all() {
        try { return JSON.parse(window[storage].getItem(key)) || memory; } catch { return memory; }
      },
      set(path, value) {
        memory = this.all();
        if (value === undefined) delete memory[path]; else memory[path] = value;
        try {
          if (Object.keys(memory).length) window[storage].setItem(key, JSON.stringify(memory));
          else window[storage].removeItem(key);
        } catch { /* no storage: it lives as long as the page */ }
      },
    };
  }
  const unsent = kept("unsent " + home.base, "localStorage");    // not acknowledged yet
  const refused = kept("refused " + home.base, "localStorage");  // not taken by the host's computer
  const latest = kept("latest " + home.base, "sessionStorage");  // as last acknowledged
  const pages = kept("pages " + home.base, "sessionStorage");    // to be shown without connection
  const mine = kept("mine " + home.base, "sessionStorage");      // which page this tab gave it on
  const rests = kept("rests " + home.base, "sessionStorage");    // when the rest before a cup ends

  const tabs = window.BroadcastChannel && new BroadcastChannel("answers " + home.base);

  function say(text, kind) {
    if (!state) return;
    state.textContent = text;
    state.className = kind || "";
  }

  function store() {
    clearTimeout(pause);
    dirty = false;
    form.elements.Turn.value = Number(form.elements.Turn.value) + 1;
    refused.set(location.pathname);
    mine.set(location.pathname, form.elements.Page.value);
    offered = [];
    const given = new URLSearchParams(new FormData(form));
    given.set("At", Date.now());
    unsent.set(location.pathname, given.toString());
    send();
  }

  async function send() {
    clearTimeout(timer);
    if (busy) return;
    const [path, body] = Object.entries(unsent.all())[0] || offered.shift() || [];
    if (!path) return finished();
    busy = true;
    if (!failures) say(words.saving);
    const ago = Date.now() - new URLSearchParams(body).get("At");  // by one clock, right or wrong
    const clock = new AbortController();
    const limit = setTimeout(() => clock.abort(), 10000);
    let reply = null, said = {};
    try {
      reply = await fetch(path, {
        method: "POST",
        body: `${body}&Ago=${ago}`,
        headers: { "Content-Type": "application/x-www-form-urlencoded", Accept: "application/json" },
        keepalive: body.length < 60000,
        signal: clock.signal,
      });
      said = await reply.json();
    } catch { reply = null; }
    clearTimeout(limit);
    busy = false;
    settle(path, body, reply ? reply.status : 0, said);
  }

  function settle(path, body, status, said) {
    if (status === 200) {
      failures = 0;
      sent = true;
      acknowledged(path, body, said);
      return send();
    }
    if (status >= 400 && status < 500) {
      failures = 0;
      leaving = "";
      if (unsent.all()[path] === body) unsent.set(path);
      if (said.problems && path === location.pathname) {
        said.problems.forEach((problem) => showFault(problem.field, problem.text));
        say(words.see_above, "bad");
      } else putAside(path, body, said.message || (said.problems || []).map((problem) => problem.text).join(" "));
      return send();
    }
    failures += 1;
    const wait = Math.min(2 ** (failures - 1), LONGEST) * (0.75 + Math.random() / 2);
    if (!status && leaving) showKept(leaving);
    say(said.message || (Object.keys(pages.all()).length ? words.away : words.trying), "bad");
    timer = setTimeout(send, 1000 * wait);
  }

  function acknowledged(path, body, said) {
    const waiting = unsent.all()[path];
    const given = new URLSearchParams(body), now = new URLSearchParams(body);
    now.set("Base", said.mark);
    for (const [name, text] of Object.entries(said.filled)) now.set(name, text);
    latest.set(path, now.toString());
    if (waiting === body) unsent.set(path);
    else if (waiting) {
      const newer = new URLSearchParams(waiting);
      newer.set("Base", said.mark);
      for (const [name, text] of Object.entries(said.filled)) {
        if ((newer.get(name) || "") === (given.get(name) || "")) newer.set(name, text);
      }
      unsent.set(path, newer.toString());
    }
    if ((refused.all()[path] || {}).body === body) refused.set(path);
    showRefused();
    showGiven();
    if (form && path === location.pathname) {
      form.elements.Base.value = said.mark;
      fill(new Map(Object.entries(said.filled)), given);
    }
    if (tabs) tabs.postMessage(path);
    if (said.told) note("notice", "status", said.told);
  }

  function note(kind, role, ...parts) {
    const said = document.createElement("p");
    said.className = kind;
    said.setAttribute("role", role);
    said.append(...parts);
    document.querySelector("h1").after(said);
    return said;
  }

  // An answer that is not taken is kept and shown, and stops no other.
  function putAside(path, body, message) {
    refused.set(path, { body, message });
    if (form && path === location.pathname) say(words.see_above, "bad");
    showRefused();
  }

  function showRefused() {
    const answers = Object.values(refused.all());
    const codes = answers.map((answer) => new URLSearchParams(answer.body).get("code"));
    const text = answers.length &&
      `${words.kept_here.replace("{codes}", codes.join(", "))} ${answers[0].message || ""} `;
    const old = document.getElementById("refused");
    if (old && old.firstChild.data === text) return;
    if (old) old.remove();
    if (!text) return;
    const on = document.createElement("a");
    on.href = home.base;
    on.textContent = words.go_on;
    note("notice", "alert", text, on).id = "refused";
  }

  // The host may have opened the session again.
  function offerAgain() {
    showRefused();
    offered = Object.entries(refused.all()).map(([path, answer]) => [path, answer.body]);
    send();
  }

  const shown = (number) => number.replace("-", "−").replace(".", words.decimal);

  function finished() {
    if (leaving) location.assign(leaving);
    else if (sent && !refused.all()[location.pathname]) say(form ? words.saved : words.all_saved, "good");
  }

  function showFault(name, text) {
    const place = document.getElementById(name + "-fault");
    if (place) place.textContent = text;
    const field = form.querySelector(`[aria-describedby~="${name}-fault"]`);
    if (text && field) field.setAttribute("aria-invalid", "true");
    else if (field) field.removeAttribute("aria-invalid");
  }

  // What is given at an address, whether it was acknowledged or not.
  function givenAt(path) {
    const aside = refused.all()[path];
    return unsent.all()[path] || (aside && aside.body);
  }

  // An answer that was not acknowledged when the page was left is shown again; on a page that was
  // kept, so is what was acknowledged since.
  function restore(old) {
    const path = location.pathname;
    const known = unsent.all()[path] || (old && latest.all()[path]);
    const body = givenAt(path) || known;
    if (!body) return;
    const fields = new URLSearchParams(body);
    if (known === body && mine.all()[path] === fields.get("Page")) {
      for (const name of ["Base", "Page", "Turn"]) form.elements[name].value = fields.get(name);
    }
    fill(fields);
  }

  // With `sent`, only what is still as it was sent.
  function fill(fields, sent) {
    const open = ({ name, type }) => type !== "hidden" && fields.has(name) &&
      (!sent || form.elements[name].value === (sent.get(name) || ""));
    for (const field of [...form.elements].filter(open)) {
      if (field.type === "radio") field.checked = field.value === fields.get(field.name);
      else field.value = fields.get(field.name);
    }
    showValues();
  }

  function showValues() {
    for (const value of form.querySelectorAll("output.value")) {
      const [{ name }] = value.closest("fieldset").querySelectorAll("input");
      value.textContent = shown(form.elements[name].value);
    }
    for (const button of form.querySelectorAll("[data-by]")) button.disabled = !form.elements[button.dataset.of].value;
    for (const track of form.querySelectorAll(".track")) {
      const text = form.elements[track.dataset.of].value.trim(), number = Number(text.replace(",", ".").replace("−", "-"));
      const none = text === "" || Number.isNaN(number);
      track.classList.toggle("unset", none);
      if (!none) track.value = number;
      track.setAttribute("aria-valuetext", none ? words.unscored : text);
    }
  }

  // A finger that slides along a line picks the place below it; lifting it answers.
  function slide(line, pick, settled) {
    let before = null;
    const at = (event) => {
      const { left, width } = line.getBoundingClientRect();
      return Math.min(Math.max((event.clientX - left) / width, 0), 0.999999);
    };
    line.addEventListener("pointerdown", (event) => {
      if (event.button || !event.isPrimary) return;
      line.setPointerCapture(event.pointerId);
      before = pick(at(event));
    });
    line.addEventListener("pointermove", (event) => { if (before) pick(at(event)); });
    line.addEventListener("pointerup", () => { if (before) settled(before); before = null; });
    line.addEventListener("pointercancel", () => { if (before) before.back(); before = null; });
  }

  const change = (field) => field.dispatchEvent(new Event("change", { bubbles: true }));

  function slideSteps(line) {
    const steps = [...line.querySelectorAll("input")];
    const all = [...form.elements[steps[0].name]];
    const chosen = () => all.find((step) => step.checked);
    function pick(place) {
      const was = chosen();
      steps[Math.floor(place * steps.length)].checked = true;
      showValues();
      return { was, back() { was.checked = true; showValues(); } };
    }
    slide(line, pick, ({ was }) => {
      chosen().focus({ preventScroll: true });
      if (chosen() !== was) change(chosen());
    });
  }

  // A line without steps: nothing is picked before it is touched, and it writes into its field.
  function slideTrack(track) {
    const field = form.elements[track.dataset.of];
    const { min, max, step } = track;
    const digits = (step.split(".")[1] || "").length;
    const write = (number) => { field.value = number.toFixed(digits).replace(".", words.decimal); showValues(); };
    function pick(place) {
      const was = field.value, steps = Math.round(place * (max - min) / step);
      write(Number(min) + steps * step);
      return { was, back() { field.value = was; showValues(); } };
    }
    track.hidden = false;
    track.addEventListener("pointerdown", (event) => event.preventDefault());
    slide(track, pick, () => { track.focus({ preventScroll: true }); change(field); });
    track.addEventListener("input", () => write(Number(track.value)));
    track.addEventListener("change", (event) => { event.stopPropagation(); change(field); });
    field.addEventListener("input", showValues);
    const none = form.querySelector(`[data-none="${field.name}"]`);
    none.hidden = false;
    none.addEventListener("click", () => { field.value = ""; change(field); });
  }

  function nudge({ currentTarget: { dataset } }) {
    const steps = [...form.elements[dataset.of]].filter((step) => step.value);
    const next = steps[steps.findIndex((step) => step.checked) + Number(dataset.by)];
    if (!next) return;
    next.checked = true;
    change(next);
  }

  // A second tab shows what was given in the first, as soon as it has nothing to send itself. What
  // is unsent may be seen here later than the message comes, so it looks again until it is so.
  function follow() {
    if (behind && !dirty && !unsent.all()[location.pathname]) location.replace(location.href);
  }

  function listen() {
    form.querySelectorAll(".line").forEach(slideSteps);
    form.querySelectorAll(".track").forEach(slideTrack);
    for (const button of form.querySelectorAll("[data-by]")) {
      button.hidden = false;
      button.addEventListener("click", nudge);
    }
    form.addEventListener("change", showValues);
    showValues();
    form.addEventListener("change", (event) => {
      showFault(event.target.name, "");
      store();
    });
    form.addEventListener("input", ({ target }) => {
      showFault(target.name, "");  // before it is left: by then a finger may be on the button below
      dirty = dirty || target.matches(".number, textarea");
      if (target !== form.elements.comment) return;
      clearTimeout(pause);
      pause = setTimeout(store, 900);
    });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const go = event.submitter ? event.submitter.value : "next";
      leaving = form.dataset[go] || form.dataset.next;
      if (go === "next" && Number(form.dataset.rest)) rests.set(leaving, Date.now() + 1000 * form.dataset.rest);
      store();
      if (failures) showKept(leaving);
    });
  }

  // The rest before a cup: the questions come when it is over, or when the taster says so.
  function rest() {
    clearInterval(ticking);
    const place = document.getElementById("rest"), path = location.pathname;
    const until = rests.all()[path];
    const answered = [...new FormData(form)].some(([name, text]) => text && form.elements[name].type !== "hidden");
    if (!(until > Date.now()) || answered) return;
    const clock = place.querySelector("[role=timer]"), skip = place.querySelector("button");
    const show = (resting) => { place.hidden = !resting; form.classList.toggle("resting", resting); };
    function over() {
      clearInterval(ticking);
      rests.set(path);
      show(false);
      say(words.ready);
    }
    function tick() {
      const left = Math.ceil((until - Date.now()) / 1000);
      if (left <= 0) return over();
      clock.textContent = `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`;
    }
    skip.addEventListener("click", () => { over(); form.querySelector("input:not([type=hidden])").focus(); });
    show(true);
    tick();
    ticking = setInterval(tick, 250);
  }

  // The look over all cups shows what is not sent yet, too.
  function showGiven() {
    for (const cup of document.querySelectorAll("[data-cup]")) {
      const body = givenAt(cup.dataset.cup) || latest.all()[cup.dataset.cup];
      const fields = new URLSearchParams(body);
      for (const place of cup.querySelectorAll("[data-name]")) {
        const { name } = place.dataset;
        if (!fields.has(name)) continue;
        const text = fields.get(name);
        const said = words.answers[text] || shown(text.replace(",", ".")).replace("+", " + ") || "–";
        place.textContent = name === "comment" ? text : said;
      }
    }
  }

  // While there is a connection, the pages that come next are fetched; what fails is tried again.
  async function fetchAhead() {
    for (const path of (form ? form.dataset.ahead : "").split(" ").filter(Boolean)) {
      if (pages.all()[path]) continue;
      try {
        const reply = await fetch(path);
        if (!reply.ok || reply.redirected) throw new Error(String(reply.status));
        pages.set(path, await reply.text());
      } catch { return void setTimeout(fetchAhead, 4000); }
    }
  }

  function showKept(path) {
    const text = pages.all()[path];
    if (!text) return false;
    pages.set(location.pathname, pages.all()[location.pathname] || "<!doctype html>" + document.documentElement.outerHTML);
    leaving = "";
    const page = new DOMParser().parseFromString(text, "text/html");
    document.title = page.title;
    document.body.replaceWith(page.body);
    const larger = document.getElementById("larger");
    if (larger) larger.hidden = false;
    if (path !== location.pathname) history.pushState(null, "", path);
    start(true);
    scrollTo(0, 0);
    const head = document.querySelector("h1");
    head.tabIndex = -1;
    head.focus();
    return true;
  }

  // Goes on when the host opens the next session; what is not sent yet comes first.
  async function lookAgain() {
    try {
      const { session } = await (await fetch(home.base + "/now")).json();
      if (session !== home.now && !Object.keys(unsent.all()).length) {
        return session ? location.assign(home.base) : location.reload();
      }
    } catch { /* the host's computer does not answer: look again later */ }
    setTimeout(lookAgain, 4000);
  }

  // Of a page as it comes from the host's computer, or of one that was kept.
  function start(old) {
    form = document.getElementById("answer");
    state = document.getElementById("state");
    showRefused();
    showGiven();
    if (!form) return;
    const early = !old && [...form.querySelectorAll("input[name]:not([type=hidden]), textarea")].some((field) =>
      field.type === "radio" ? field.checked !== field.defaultChecked : field.value !== field.defaultValue);
    restore(old);
    listen();
    say(words.as_given);
    rest();
    if (early) store();  // given before this script ran
  }

  start(false);
  if (tabs) tabs.onmessage = ({ data }) => { behind = behind || Boolean(form && data === location.pathname); follow(); };
  if (home.now !== undefined) lookAgain();
  addEventListener("click", (event) => {
    const link = event.target.closest("a[href]");
    if (!link || !(failures || Object.keys(unsent.all()).length)) return;
    if (showKept(link.pathname)) event.preventDefault();
    else if (link.dataset.finish !== undefined) {
      event.preventDefault();
      leaving = link.pathname;
      send();
    }
  });
  addEventListener("popstate", () => { if (!failures || !showKept(location.pathname)) location.reload(); });
  addEventListener("pageshow", (event) => { if (event.persisted) leaving = ""; });  // it was left
  const keep = () => { if (dirty) store(); };  // a page that is hidden may be dropped unsaid
  addEventListener("pagehide", keep);
  // What is on its way now may still fail: it is tried again soon.
  addEventListener("online", () => { failures = Math.min(failures, 1); send(); });
  addEventListener("storage", follow);
  document.addEventListener("visibilitychange", () => document.hidden ? keep() : send());
  offerAgain();
  fetchAhead();
  setInterval(() => { follow(); if (Object.keys(refused.all()).length) offerAgain(); }, 4000);
})();
