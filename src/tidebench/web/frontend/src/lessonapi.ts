// What lessons ask of the server: as a learner or a teacher, each by a token that was told once and stays in this browser.
import { ask, send } from "./api";
import type { components, webhooks as Webhooks } from "./schema";

type Schemas = components["schemas"];
export type Lesson = Schemas["LessonTold"];
export type Step = Schemas["LessonStep"];
export type StepState = Schemas["WayStepTold"];
export type LessonFigure = Schemas["WavesTold"];
export type LessonMark = Schemas["MarkOfAnswer"];
export type Result = Schemas["ResultTold"];
export type Debrief = Schemas["DebriefTold"];
export type LearnerNow = Schemas["LearnerNow"];
export type ClassSeen = Schemas["ClassTold"];
export type SittingAsked = NonNullable<Webhooks["sitting-asked"]["post"]["requestBody"]>["content"]["application/json"];
export type SittingTold = NonNullable<Webhooks["sitting-told"]["post"]["requestBody"]>["content"]["application/json"];
export type Sat = Extract<SittingTold, { tell?: "sat" }> & { tell: "sat" };
export type Action = Sat["actions"][number];

export class By {
  constructor(
    private readonly who: "learner" | "teacher",
    readonly token: string,
  ) {}

  private get head(): Record<string, string> {
    return { [`x-tidebench-${this.who}`]: this.token };
  }

  async get<T>(path: string): Promise<T> {
    return (await (await ask(path, { headers: this.head })).json()) as T;
  }

  async post<T>(path: string, body: unknown): Promise<T> {
    const answer = await ask(path, { method: "POST", body: JSON.stringify(body), headers: { ...this.head, "content-type": "application/json" } });
    return (answer.status === 204 ? undefined : await answer.json()) as T;
  }
}

export const beginAlone = (lesson: string, seed: number | null, name: string) => send<Schemas["Joined"]>("POST", "/lessons/alone", { lesson, seed, name });
export const joinClass = (link: string, name: string) => send<Schemas["Joined"]>("POST", `/class/${encodeURIComponent(link)}`, { name });
export const openClass = (lesson: string, site: string, led: boolean, own: boolean) => send<Schemas["ClassOpened"]>("POST", "/lessons/class", { lesson, site, led, own_patients: own });
