// What a person may do to an alarm, as buttons; a reason is asked for shelving and removal from service only. The agent
// decides whether it is allowed; this only offers what makes sense in the alarm's state.

import { h } from "./dom.js";
import { doAs } from "./person.js";
import { isNew, links } from "./state.js";
import { count, duration, t } from "./text.js";

const SHELVES = [["15m", 900], ["1h", 3600], ["4h", 14400], ["8h", 28800]];

/** Buttons for an alarm, but acknowledging where the row has it already. */
export function actions(one) {
  const route = `alarms/${encodeURIComponent(one.alarm)}`;
  const button = (key, what) => h("button", { "data-key": `${key}/${one.alarm}`, text: t(`act.${key}`), onclick: what });
  const hidden = ["shelved", "suppressed", "out_of_service"].includes(one.state);
  return [
    hidden && isNew(one) ? button("acknowledge", () => doAs(`${route}/acknowledge`, { occurrence: one.occurrence })) : null,
    one.state === "latched_acknowledged" ? button("reset", () => doAs(`${route}/reset`, { occurrence: one.occurrence })) : null,
    one.state === "shelved" ? button("unshelve", () => doAs(`${route}/unshelve`)) : null,
    one.state === "out_of_service" ? button("return", () => doAs(`${route}/return-to-service`)) : null,
    replaced(one) ? button("confirm", () => confirm(replaced(one).name)) : null,
    hidden ? null : button("shelve", () => shelve(one, route)),
    one.state === "out_of_service" ? null : button("remove", () => remove(one, route)),
  ];
}

/** The device whose identity an alarm is about, if a person can confirm it. */
function replaced(one) {
  const devices = [...links.values()].flatMap((link) => link.devices ?? []);
  return devices.find((device) => device.identity?.can_confirm && device.identity.point === one.point && one.active);
}

/** A dialog with a reason and choices; answers what was chosen, or `null`. */
function choose(title, sentence, choices, reasons) {
  return new Promise((done) => {
    const reason = h("input", { maxlength: 200, required: true, list: "reasons" });
    const missing = h("p", { class: "refused", role: "alert", hidden: true, text: t("act.reason-missing") });
    let over = false;
    const finish = (answer) => { if (over) return; over = true; dialog.close(); dialog.remove(); done(answer); };
    const pick = (choice) => () => { if (!reason.value.trim()) { missing.hidden = false; reason.focus(); return; } finish({ choice, reason: reason.value.trim() }); };
    const dialog = h("dialog", { "aria-labelledby": "act-title", oncancel: () => finish(null) },
      h("h1", { id: "act-title", text: title }), h("p", { text: sentence }), missing,
      h("label", {}, h("span", { text: t("act.reason") }), reason),
      h("div", { class: "row-of-buttons reasons" }, reasons.map((text) => h("button", { text, onclick: () => { reason.value = text; missing.hidden = true; } }))),
      h("div", { class: "row-of-buttons" }, choices.map(([text, choice]) => h("button", { class: "do", text, onclick: pick(choice) })), h("button", { text: t("cancel"), onclick: () => finish(null) })));
    document.body.append(dialog);
    dialog.showModal();
    reason.focus();
  });
}

/** Starts a declared suppression, for as long as its rule allows at most. */
export async function suppress(rule) {
  const times = SHELVES.filter(([, seconds]) => seconds <= rule.at_most_s).map(([key, seconds]) => [t(`act.for-${key}`), { for_s: seconds }]);
  const choices = times.length ? times : [[t("act.suppress-longest", { long: duration(rule.at_most_s) }), {}]];
  const answer = await choose(t("act.suppress-title"), `${rule.text} ${count("act.suppress-hides", rule.alarms.length)}`, choices, [rule.text, t("act.reason-work")]);
  if (answer) await doAs(`suppress/${encodeURIComponent(rule.name)}`, { ...answer.choice, reason: answer.reason });
}

/** Ends a declared suppression. */
export const release = (rule) => doAs(`suppress/${encodeURIComponent(rule.name)}/release`);

/** Confirms a device that shows another identity than before. */
export async function confirm(device) {
  const answer = await choose(t("act.confirm-title", { device }), t("act.confirm-warning"), [[t("act.confirm-do"), {}]], [t("act.reason-replaced")]);
  if (answer) await doAs(`devices/${encodeURIComponent(device)}/confirm`, { reason: answer.reason });
}

async function shelve(one, route) {
  const choices = [...SHELVES.map(([key, seconds]) => [t(`act.for-${key}`), { for_s: seconds }]), [t("act.one-shot"), { one_shot: true }]];
  const answer = await choose(t("act.shelve-title"), one.text, choices, ["act.reason-known", "act.reason-work", "act.reason-nuisance"].map((key) => t(key)));
  if (answer) await doAs(`${route}/shelve`, { ...answer.choice, reason: answer.reason });
}

async function remove(one, route) {
  const answer = await choose(t("act.remove-title"), `${one.text} ${t("act.remove-warning")}`, [[t("act.remove"), {}]], ["act.reason-work", "act.reason-sensor"].map((key) => t(key)));
  if (answer) await doAs(`${route}/remove-from-service`, { reason: answer.reason });
}
