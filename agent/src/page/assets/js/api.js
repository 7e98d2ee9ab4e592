// Asks the agent and tells it what a person does. Every refusal becomes one sentence. Knows the routes, decides nothing.

import { about, takeAbout, tell } from "./state.js";
import { t } from "./text.js";

/** A refusal, with the sentence to show. */
export class Refused extends Error {
  constructor(status, word, text, after) { super(text); this.status = status; this.word = word; this.after = after; }
}

async function answered(response) {
  const body = await response.json().catch(() => null);
  if (response.ok) return body;
  throw new Refused(response.status, body?.error ?? "", body?.text ?? t("api.refused", { status: response.status }), body?.retry_after_s);
}

/** What a route answers. */
export async function ask(route, parameters = {}) {
  const query = new URLSearchParams();
  for (const [name, value] of Object.entries(parameters)) for (const one of [value].flat()) if (one !== null && one !== undefined) query.append(name, one);
  const tail = query.size ? `?${query}` : "";
  try {
    return await answered(await fetch(`/api/${route}${tail}`, { headers: { Accept: "application/json" } }));
  } catch (error) {
    if (error instanceof Refused) throw error;
    throw new Refused(0, "unreachable", t("api.unreachable"));
  }
}

/** Does something; answers the agent's sentence. */
export async function act(route, body = {}) {
  const headers = { "Content-Type": "application/json" };
  if (about.csrf) headers["X-Lapwing-Token"] = about.csrf;
  try {
    return await answered(await fetch(`/api/${route}`, { method: "POST", headers, body: JSON.stringify(body) }));
  } catch (error) {
    if (error instanceof Refused) {
      if (error.status === 401) { about.signed_in = null; about.csrf = null; tell("about"); }
      throw error;
    }
    throw new Refused(0, "unreachable", t("api.unreachable"));
  }
}

export async function signIn(name, secret) {
  const session = await act("sign-in", { name, secret });
  about.signed_in = { name: session.name, role: session.role };
  about.csrf = session.csrf;
  tell("about");
}

export async function signOut() {
  await act("sign-out");
  takeAbout(await ask("about"));
}

const RANK = { observer: 0, operator: 1, engineer: 2 };
/** Whether the person signed in may do what needs a role. */
export const may = (role) => (RANK[about.signed_in?.role] ?? -1) >= RANK[role];
