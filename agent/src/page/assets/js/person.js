// Who stands in front of the page: signing in once for a shift, by a pad that works with gloves, and signing out.

import { act, signIn, signOut, Refused } from "./api.js";
import { fill, h, say } from "./dom.js";
import { told } from "./parts.js";
import { about, hear } from "./state.js";
import { t } from "./text.js";

/** Draws the button into an element. */
export function person(element) {
  let drawn = null;
  const draw = () => {
    const who = about.signed_in, sayings = `${who?.name}/${t("sign-in.in")}`;
    if (sayings === drawn) return;
    drawn = sayings;
    fill(element, who
      ? h("button", { onclick: leave }, h("span", {}, who.name, h("br"), h("small", { text: t("sign-in.out") })))
      : h("button", { class: "do", onclick: () => askWho(), text: t("sign-in.in") }));
  };
  hear("about", draw);
  addEventListener("lapwing-spoken", draw);
  draw();
}

async function leave() {
  await signOut().catch((error) => told(error.message));
}

const KNOWN_MOST = 4;

/** Who has signed in on this screen, the last first: a name is then a touch. */
const known = () => { try { return [JSON.parse(localStorage.getItem("who") ?? "[]")].flat().map(String); } catch { return []; } };
const remember = (name) => localStorage.setItem("who", JSON.stringify([name, ...known().filter((one) => one !== name)].slice(0, KNOWN_MOST)));

/** The dialog; answers whether somebody has signed in. */
export function askWho() {
  return new Promise((done) => {
    const name = h("input", { id: "who-name", autocomplete: "username", autocapitalize: "none", required: true, value: known()[0] ?? "" });
    const secret = h("input", { id: "who-secret", type: "password", autocomplete: "current-password", required: true });
    const refused = h("p", { class: "refused", role: "alert", hidden: true });
    const press = (digit) => () => { secret.value = digit === "back" ? secret.value.slice(0, -1) : secret.value + digit; };
    const pad = h("div", { class: "pad", role: "group", "aria-label": t("sign-in.pad") },
      ["1", "2", "3", "4", "5", "6", "7", "8", "9"].map((d) => h("button", { type: "button", text: d, onclick: press(d) })),
      h("button", { type: "button", text: "⌫", "aria-label": t("sign-in.back"), onclick: press("back") }),
      h("button", { type: "button", text: "0", onclick: press("0") }),
      h("button", { class: "do", text: t("sign-in.go") }));
    const others = known().length > 1 ? known() : [];
    const names = h("div", { class: "row-of-buttons names" }, others.map((one) => h("button", { type: "button", text: one, onclick: () => { name.value = one; secret.value = ""; secret.focus(); } })));
    const form = h("form", { method: "dialog", onsubmit: async (event) => {
      event.preventDefault();
      try {
        await signIn(name.value.trim(), secret.value);
        remember(name.value.trim());
        finish(true);
      } catch (error) {
        secret.value = "";
        refused.hidden = false;
        say(refused, error instanceof Refused ? error.message : String(error));
        secret.focus();
      }
    } }, h("h1", { id: "who-title", text: t("sign-in.title") }), refused,
    h("div", { class: "who" }, h("div", {},
      h("label", {}, h("span", { text: t("sign-in.name") }), name), names,
      h("label", {}, h("span", { text: t("sign-in.secret") }), secret)), pad),
    h("button", { type: "button", text: t("cancel"), onclick: () => finish(false) }));
    const dialog = h("dialog", { class: "wide", "aria-labelledby": "who-title", oncancel: () => finish(false) }, form);
    let over = false;
    const finish = (yes) => { if (over) return; over = true; dialog.close(); dialog.remove(); done(yes); };
    document.body.append(dialog);
    dialog.showModal();
    (name.value ? secret : name).focus();
  });
}

/** Does something that needs a person: asks who it is when nobody has signed in, says what came of it. */
export async function doAs(route, body) {
  if (!about.signed_in && !(await askWho())) return false;
  try {
    const answer = await act(route, body);
    told(answer?.text ?? t("done"));
    return true;
  } catch (error) {
    if (error instanceof Refused && error.status === 401 && (await askWho())) return doAs(route, body);
    told(error.message);
    return false;
  }
}
