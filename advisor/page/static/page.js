"use strict";
// What a browser can add to pages that work without it: a countdown that rings, a screen that stays awake, and a form
// that is kept and sent again while the network is gone. The server decides everything.
(() => {
  const KEPT = "advisor not sent", TOLD = "advisor awake told", AGAIN_MS = 4000;
  const notice = document.getElementById("notice"), says = JSON.parse(notice.dataset.say);
  let sound = null, ends = 0, ticking = 0, sending = false;

  const kept = () => JSON.parse(localStorage.getItem(KEPT) || "[]");
  const keep = (forms) => forms.length ? localStorage.setItem(KEPT, JSON.stringify(forms)) : localStorage.removeItem(KEPT);

  function say(words, button, does) {
    notice.textContent = words;
    if (button) {
      const again = document.createElement("button");
      again.textContent = button;
      again.type = "button";
      again.addEventListener("click", does);
      notice.append(again);
    }
  }

  function show(text, url) {
    const page = new DOMParser().parseFromString(text, "text/html");
    const body = page.getElementById("page");
    if (!body) { say(text.slice(0, 300)); return; }
    document.getElementById("page").replaceWith(document.adoptNode(body));
    document.title = page.title;
    if (url !== location.href) history.pushState(null, "", url);
    scrollTo(0, 0);
    begin();
    const first = document.querySelector("main [autofocus]") || document.querySelector("h1");
    if (first) first.focus({ preventScroll: true });
  }

  async function look() {
    try {
      const answer = await fetch(location.href, { headers: { accept: "text/html" } });
      show(await answer.text(), answer.url);
    } catch { setTimeout(look, AGAIN_MS); }
  }

  async function sendKept() {
    if (sending || !kept().length) return;
    sending = true;
    try {
      while (kept().length) {
        const form = kept()[0];
        const late_s = (Date.now() - form.tapped) / 1000;
        const fields = new URLSearchParams(form.fields);
        if (late_s > 2) fields.set("late_s", late_s.toFixed(1));
        const answer = await fetch(form.action, { method: "POST", body: fields });
        const text = await answer.text();
        if (answer.status >= 500) {
          const wrong = new DOMParser().parseFromString(text, "text/html").getElementById("wrong");
          say(`${says.notSaved} ${wrong ? wrong.textContent : text.slice(0, 300)}`, says.again, sendKept);
          return;
        }
        keep(kept().slice(1));
        notice.textContent = "";
        show(text, answer.redirected ? answer.url : new URL(form.action, location.href).href);
      }
    } catch {
      say(says.notSent, says.again, sendKept);
      setTimeout(sendKept, AGAIN_MS);
    } finally { sending = false; }
  }

  addEventListener("submit", (event) => {
    const form = event.target, button = event.submitter;
    if (form.method !== "post") return;
    event.preventDefault();
    const fields = new URLSearchParams(new FormData(form, button));
    const urgent = ["off", "co"].includes(fields.get("act"));
    const waiting = kept();
    if (waiting.length && !urgent) { say(says.after, says.again, sendKept); return; }
    const one = { action: form.getAttribute("action"), fields: fields.toString(), tapped: Date.now() };
    keep(urgent ? [one, ...waiting] : [...waiting, one]);
    sendKept();
  });

  function over() {
    clearInterval(ticking);
    if (navigator.vibrate) navigator.vibrate([400, 200, 400, 200, 400]);
    ring();
    const typed = [...document.querySelectorAll("main input:not([type=hidden])")].some((field) => field.value);
    if (typed) say(says.isOver, says.goOn, look); else { notice.textContent = says.isOver; look(); }
  }

  function ring() {
    if (!sound) return;
    for (const after of [0, 0.5, 1]) {
      const tone = sound.createOscillator();
      tone.frequency.value = 880;
      tone.connect(sound.destination);
      tone.start(sound.currentTime + after);
      tone.stop(sound.currentTime + after + 0.3);
    }
  }

  function tick() {
    const left = document.getElementById("left"), seconds = Math.max(0, Math.ceil((ends - Date.now()) / 1000));
    if (!left) { clearInterval(ticking); return; }
    left.textContent = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
    if (seconds === 30 || seconds === 10) notice.textContent = `${seconds} ${says.left}`;
    if (seconds <= 0) over();
  }

  async function stayAwake() {
    if (document.visibilityState !== "visible" || !document.getElementById("left")) return;
    try {
      if (!("wakeLock" in navigator)) throw new Error("none");
      await navigator.wakeLock.request("screen");
    } catch {
      if (!localStorage.getItem(TOLD)) {
        localStorage.setItem(TOLD, "yes");
        say(says.awake);
      }
    }
  }

  function begin() {
    clearInterval(ticking);
    const left = document.getElementById("left");
    if (!left) return;
    ends = Date.now() + 1000 * Number(left.dataset.left);
    ticking = setInterval(tick, 250);
    stayAwake();
  }

  addEventListener("pointerdown", () => { sound ??= window.AudioContext ? new AudioContext() : null; });
  addEventListener("popstate", look);
  addEventListener("online", sendKept);
  addEventListener("pageshow", (event) => { if (event.persisted) look(); });
  document.addEventListener("visibilitychange", stayAwake);
  begin();
  sendKept();
})();
