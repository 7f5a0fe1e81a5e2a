// Pictures of waveforms: dragged in, panels said and confirmed, curves checked and mended, and made a case.
import "./pictures.css";

import { useEffect, useMemo, useRef, useState } from "preact/hooks";

import { get, send, stopped, upload, type Job, type Quantity, type Slip } from "./api";
import { FormFields, type Answers } from "./form";
import { endingsOfPictures, picturesIn, takePictures } from "./handed";
import { follow } from "./jobs";
import { useKeys } from "./keys";
import { say } from "./notices";
import { Check, Noted } from "./piccheck";
import { labelOf, PanelList, type PanelSlip, type PictureForm } from "./picpanels";
import { Stage, type Tool, type Traced } from "./picstage";
import { added, arranged, back, begun, changed, correctionsSaid, forth, mended, panelsSaid, proposed, removed, seen, stepped, type Doc, type History, type PanelSaid, type PictureSaid, type Point, type Read, type Size, type Straight } from "./picstate";
import { go } from "./place";
import { quantities } from "./quantities";
import type { components } from "./schema";
import { capital } from "./words";

type Schemas = components["schemas"];
type Shown = Schemas["ShownTold"];
type Arrangement = Schemas["ArrangementTold"];

interface Pic {
  token: string;
  file: string;
  page: number;
  shown: Shown;
  at: string;
  observed: Record<string, string>;
  history: History<Doc>;
}

type Phase = "place" | "check" | "case";
const PHASES: [Phase, string][] = [["place", "1 · Panels"], ["check", "2 · Check"], ["case", "3 · Case"]];
const DRAFT = "tidebench-pictures";
const ZOOMS = [1, 1.5, 2, 3];
const local = (stamp: string | null): string => (stamp ? stamp.slice(0, 19) : "");

interface Kept { pics: (Omit<Pic, "history"> & { doc: Doc })[]; title: string; notes: string; answers: Answers }

function kept(): Kept {
  try {
    return { pics: [], title: "", notes: "", answers: {}, ...(JSON.parse(sessionStorage.getItem(DRAFT) ?? "{}") as Partial<Kept>) };
  } catch {
    return { pics: [], title: "", notes: "", answers: {} };
  }
}

export function PicturesRoom() {
  const before = useMemo(kept, []);
  const [form, setForm] = useState<PictureForm | null>(null);
  const [known, setKnown] = useState<Record<string, Quantity>>({});
  const [pics, setPics] = useState<Pic[]>(() => before.pics.map(({ doc, ...pic }) => ({ ...pic, history: begun(seen(doc)) })));
  const [current, setCurrent] = useState(0);
  const [phase, setPhase] = useState<Phase>("place");
  const [work, setWork] = useState<{ words: string; share: number } | null>(null);
  const [problem, setProblem] = useState("");
  const [slips, setSlips] = useState<PanelSlip[]>([]);
  const [traced, setTraced] = useState<Traced | null>(null);
  const [chosen, setChosen] = useState(0);
  const [tool, setTool] = useState<Tool>("move");
  const [shown, setShown] = useState(true);
  const [zoom, setZoom] = useState(1);
  const [corners, setCorners] = useState<Point[] | null>(null);
  const [arrangements, setArrangements] = useState<Arrangement[]>([]);
  const [title, setTitle] = useState(before.title);
  const [notes, setNotes] = useState(before.notes);
  const [answers, setAnswers] = useState<Answers>(before.answers);
  const [asked, setAsked] = useState<{ slips: Slip[]; doubts: string[] }>({ slips: [], doubts: [] });
  const [meant, setMeant] = useState<string[]>([]);
  const [whole, setWhole] = useState(false);
  const [name, setName] = useState("");
  const way = useRef<AbortController | null>(null);
  const tracing = useRef<AbortController | null>(null);
  const pic = pics[current];
  const doc = pic?.history.now;
  const size = (pic?.shown.size ?? [1, 1]) as Size;

  useEffect(() => {
    void get<PictureForm>("/pictures/form").then(setForm, (error: Error) => setProblem(error.message));
    void quantities().then(setKnown);
    for (const one of before.pics) {
      send<Job>("POST", `/pictures/${one.token}/open`, { page: one.page, ...(one.shown.straight ? { corners: one.shown.straight.corners, size: one.shown.straight.size } : {}) }).catch(() => {
        setPics((all) => all.filter((pic) => pic.token !== one.token));
        say(`${one.file} waited too long and is gone: drag it in once more.`);
      });
    }
    const handed = takePictures();
    if (handed.length) void take(handed);
    return () => (way.current?.abort(), tracing.current?.abort());
  }, []);
  useEffect(() => {
    const draft: Kept = { pics: pics.map(({ history, ...one }) => ({ ...one, doc: history.now })), title, notes, answers };
    sessionStorage.setItem(DRAFT, JSON.stringify(draft));
  }, [pics, title, notes, answers]);
  useEffect(() => {
    if (pic) void offered();
    setTraced(null);
    setSlips([]);
    setCorners(null);
    setTool("move");
    setChosen(doc?.panels[0]?.id ?? 0);
  }, [pic?.token, pic?.shown.shown]);

  const fail = (error: unknown) => stopped(error) || setProblem((error as Error).message);
  const replace = (at: number, to: Partial<Pic>) => setPics((all) => all.map((one, i) => (i === at ? { ...one, ...to } : one)));
  const change = (next: Doc, tag = "") => setPics((all) => all.map((one, i) => (i === current ? { ...one, history: stepped(one.history, next, tag) } : one)));

  const open = async (token: string, how: { page?: number; find?: boolean; corners?: Point[]; size?: Size }, signal: AbortSignal): Promise<Shown> => {
    const job = await send<Job>("POST", `/pictures/${token}/open`, how, signal);
    const done = await follow(job, signal, (now) => setWork({ words: now.stage || "opening the picture", share: now.share }));
    return get<Shown>(`/pictures/opened/${done.name}`, signal);
  };
  const take = async (files: File[]) => {
    way.current?.abort();
    const control = (way.current = new AbortController());
    setProblem("");
    try {
      for (const [i, file] of files.entries()) {
        setWork({ words: `sending ${file.name}`, share: 0 });
        const told = await upload<Schemas["PictureTold"]>("/uploads/pictures", file, (share) => setWork({ words: `sending ${file.name}`, share }), control.signal);
        try {
          const seen = await open(told.token, {}, control.signal);
          setPics((all) => [...all, { token: told.token, file: told.file, page: 1, shown: seen, at: local(seen.taken), observed: {}, history: begun(proposed(seen.boxes, seen.size as Size, seen.axes as Read[])) }]);
          if (i > 0) continue; // whoever has begun on the first of several stays there
          setPics((all) => (setCurrent(all.length - 1), all));
          setPhase("place");
        } catch (error) {
          void send("DELETE", `/pictures/${told.token}`).catch(() => undefined);
          throw error;
        }
      }
    } catch (error) {
      fail(error);
    } finally {
      setWork(null);
    }
  };
  const again = async (how: { page?: number; find?: boolean; corners?: Point[]; size?: Size }) => {
    if (!pic) return;
    const control = (way.current = new AbortController());
    setProblem("");
    try {
      const told = await open(pic.token, { page: pic.page, ...how }, control.signal);
      replace(current, { page: how.page ?? pic.page, shown: told, history: begun(proposed(told.boxes, told.size as Size, told.axes as Read[])) });
      setCorners(null);
    } catch (error) {
      fail(error);
    } finally {
      setWork(null);
    }
  };
  const drop = (at: number) => {
    const gone = pics[at]!;
    setPics(pics.filter((_, i) => i !== at));
    setCurrent(Math.max(0, Math.min(current, pics.length - 2)));
    say(`${gone.file} was taken out.`, () => setPics((all) => [...all.slice(0, at), gone, ...all.slice(at)]));
  };

  const said = (one: Pic): PictureSaid => ({
    token: one.token, page: one.page, size: one.shown.size, straight: one.shown.straight as Straight | null, panels: panelsSaid(one.history.now), corrections: correctionsSaid(one.history.now),
    observed: Object.fromEntries(Object.entries(one.observed).filter(([, text]) => text.trim())), at: one.at || null, mend: one.history.now.mend || null,
  });
  const trace = async () => {
    if (!pic) return;
    tracing.current?.abort();
    const control = (tracing.current = new AbortController());
    setProblem("");
    try {
      const begun = await send<Schemas["BegunTold"]>("POST", `/pictures/${pic.token}/trace`, said(pic), control.signal);
      setSlips(begun.slips);
      if (!begun.job) {
        setTraced(null);
        return;
      }
      const done = await follow(begun.job, control.signal, (now) => setWork({ words: now.stage || "tracing the curves", share: now.share }));
      setTraced(await get<Traced>(`/pictures/traced/${done.name}`, control.signal));
      setWork(null);
    } catch (error) {
      if (!stopped(error)) (setWork(null), setTraced(null), setProblem((error as Error).message));
    }
  };
  const key = pic && JSON.stringify(said(pic));
  useEffect(() => {
    if (phase !== "check" || !pic || (!pic.history.now.panels.length && Object.keys(pic.observed).length)) return;
    const wait = setTimeout(() => void trace(), 250);
    return () => clearTimeout(wait);
  }, [phase, key]);
  useEffect(() => {
    if (phase !== "check") (tracing.current?.abort(), setWork(null), setTool("move"));
  }, [phase]);

  const keep = async () => {
    if (!pic || !name.trim()) return;
    try {
      const { slips: wrong } = await send<Schemas["BegunTold"]>("PUT", `/arrangements/${encodeURIComponent(name.trim())}`, { panels: said(pic).panels, size: pic.shown.size, straight: said(pic).straight });
      setSlips(wrong);
      if (wrong.length) return;
      say(`“${name.trim()}” is kept beside the cases, and offered for the next picture.`);
      await offered();
    } catch (error) {
      fail(error);
    }
  };
  const offered = () => get<Arrangement[]>(`/arrangements?width=${size[0]}&height=${size[1]}`).then(setArrangements, () => setArrangements([]));
  const discard = async (one: string) => {
    const place = `/arrangements/${encodeURIComponent(one)}`;
    try {
      await send("DELETE", place);
      await offered();
      say(`“${one}” was taken away.`, () => void send("POST", `${place}/back`).then(offered, fail));
    } catch (error) {
      fail(error);
    }
  };
  const lay = (panels: PanelSaid[], words: string) => {
    const next = arranged(panels);
    change(next);
    setChosen(next.panels[0]?.id ?? 0);
    say(`${words} Nothing is confirmed yet: look at each panel.`, undo);
  };
  const undo = () => setPics((all) => all.map((one, i) => (i === current ? { ...one, history: back(one.history) } : one)));
  const redo = () => setPics((all) => all.map((one, i) => (i === current ? { ...one, history: forth(one.history) } : one)));
  const confirmAll = () => doc && change({ ...doc, panels: doc.panels.map((panel) => ({ ...panel, confirmed: true })) });
  const make = async (event?: Event) => {
    event?.preventDefault();
    const control = (way.current = new AbortController());
    setProblem("");
    try {
      const begun = await send<Schemas["CaseBegunTold"]>("POST", "/pictures/case", { title, notes, answers, meant, keep_whole: whole, pictures: pics.map(said) }, control.signal);
      if (!begun.job) {
        setAsked({ slips: begun.slips, doubts: begun.doubts });
        const bad = begun.pictures.findIndex((one) => one.length);
        if (bad >= 0) {
          setCurrent(bad);
          setPhase("place");
          setTimeout(() => setSlips(begun.pictures[bad]!), 0);
        }
        return;
      }
      await follow(begun.job, control.signal, (now) => setWork({ words: now.stage || "making the case", share: now.share }));
      sessionStorage.removeItem(DRAFT);
      setPics([]);
      setTimeout(() => (sessionStorage.removeItem(DRAFT), go({ room: "case", name: begun.name, words: { begin: "1" } })), 0);
    } catch (error) {
      fail(error);
    } finally {
      setWork(null);
    }
  };

  const panel = doc?.panels.find((one) => one.id === chosen);
  const group = "Pictures";
  const step = (by: number) => {
    if (!doc?.panels.length) return;
    const at = doc.panels.findIndex((one) => one.id === chosen);
    const next = doc.panels[(at + by + doc.panels.length) % doc.panels.length]!;
    setChosen(next.id);
    setTimeout(() => document.getElementById(`panel-${next.id}`)?.focus(), 0);
  };
  const add = (box?: [number, number, number, number]) => {
    if (!doc) return;
    const next = added(doc, size, box);
    change(next);
    setChosen(next.panels.at(-1)!.id);
    setTool("move");
  };
  const take1 = (next: Tool) => (setTool(next), !panel && doc?.panels[0] && setChosen(doc.panels[0].id));
  useKeys(
    [
      { keys: ["n"], group, words: "Next panel; arrows then move it", act: () => step(1) },
      { keys: ["p"], group, words: "Panel before", act: () => step(-1) },
      { keys: ["a"], group, words: "Add a panel", act: () => add() },
      { keys: ["Delete", "x"], group, words: "Take the panel out", act: () => doc && panel && change(removed(doc, panel.id)) },
      { keys: ["c"], group, words: "This panel is right", act: () => doc && panel && change(changed(doc, panel.id, { confirmed: !panel.confirmed })) },
      { keys: ["1"], group, words: "Say what it shows", act: () => setPhase("place") },
      { keys: ["2", "t"], group, words: "Trace, check and mend", act: () => setPhase("check") },
      { keys: ["3"], group, words: "Make the case", act: () => setPhase("case") },
      { keys: ["v"], group, words: "Move edges and marks", act: () => setTool("move") },
      { keys: ["e"], group, words: "Erase", act: () => phase === "check" && take1("erase") },
      { keys: ["r"], group, words: "Redraw", act: () => phase === "check" && take1("draw") },
      { keys: ["o"], group, words: "Show the curves, or not", act: () => setShown(!shown) },
      { keys: ["+"], group, words: "Larger", act: () => setZoom(ZOOMS[Math.min(ZOOMS.length - 1, ZOOMS.indexOf(zoom) + 1)]!) },
      { keys: ["-"], group, words: "Smaller", act: () => setZoom(ZOOMS[Math.max(0, ZOOMS.indexOf(zoom) - 1)]!) },
      { keys: ["]"], group, words: "Next picture", act: () => setCurrent((current + 1) % Math.max(1, pics.length)) },
      { keys: ["["], group, words: "Picture before", act: () => setCurrent((current + pics.length - 1) % Math.max(1, pics.length)) },
      { keys: ["z"], group, words: "Take the last change back", act: undo },
      { keys: ["y"], group, words: "And forth again", act: redo },
    ],
    [doc, panel, phase, shown, zoom, current, pics.length],
  );

  const loose = slips.filter((slip) => slip.panel === 0 && !["panels"].includes(slip.field) && !form?.observed.fields.some((field) => field.key === slip.field));
  const sure = doc?.panels.filter((one) => one.confirmed).length ?? 0;
  return (
    <>
      <div class="row">
        <h1 class="grow">Pictures</h1>
        {pic && <label class="button">Add a picture<input class="hidden" type="file" multiple accept={endingsOfPictures} onChange={(event) => void take(picturesIn(event.currentTarget.files))} /></label>}
      </div>
      <p class="quiet">A saved screen, a photograph, a scan or a page of a PDF becomes a recording. You say what its panels show; what is only proposed stays so until you confirm it.</p>
      {form && <p class="well-said">{form.crop} {form.stored}</p>}
      {problem && <p class="problem" role="alert">{problem}</p>}
      {work && <div class="row" role="status"><span>{capital(work.words)} …</span><progress class="grow" value={work.share} aria-label="Work on the picture" /><button onClick={() => (way.current?.abort(), tracing.current?.abort(), setWork(null))}>Stop</button></div>}
      {!pic && !work && <DropPictures taken={(files) => void take(files)} />}
      {pics.length > 1 && (
        <div class="tabs-of" role="group" aria-label="Which picture">
          {pics.map((one, i) => <span key={one.token} class="row" style={{ gap: 0 }}><button aria-pressed={i === current} onClick={() => setCurrent(i)}>{i + 1} · {one.file}</button><button class="plain" aria-label={`Take ${one.file} out`} onClick={() => drop(i)}>×</button></span>)}
        </div>
      )}
      {pic && doc && form && (
        <div class="pictures">
          <Stage src={`/api/pictures/${pic.token}/shown/${pic.shown.shown}`} size={size} doc={doc} chosen={chosen} choose={setChosen} change={change} traced={phase === "check" ? traced : null} shown={shown} zoom={zoom} tool={tool} done={() => setTool("move")}
            mend={(correction) => change(mended(doc, correction))} box={add} picked={(colour) => (panel && change(changed(doc, panel.id, { colour })), setTool("move"))} labels={(one) => labelOf(form, one)} corners={corners} cornered={setCorners} />
          <aside class="sheet beside-picture" style={{ padding: 0 }} aria-label="What is said of the picture">
            <ol class="phases">{PHASES.map(([one, words]) => <li key={one}><button aria-current={one === phase ? "step" : undefined} onClick={() => setPhase(one)}>{words}</button></li>)}</ol>
            <div class="in stack">
              <div class="row small">
                <span class="grow">{pic.file}, {size[0]} by {size[1]} pixels{pic.shown.straight ? ", straightened" : ""}</span>
                <button onClick={undo} disabled={!pic.history.past.length}>Take back <kbd>z</kbd></button>
                <button onClick={redo} disabled={!pic.history.next.length}>Do again <kbd>y</kbd></button>
                <button aria-label="Smaller" onClick={() => setZoom(ZOOMS[Math.max(0, ZOOMS.indexOf(zoom) - 1)]!)} disabled={zoom === 1}>−</button>
                <button aria-label="Larger" onClick={() => setZoom(ZOOMS[Math.min(ZOOMS.length - 1, ZOOMS.indexOf(zoom) + 1)]!)} disabled={zoom === ZOOMS.at(-1)}>+</button>
              </div>
              <p class="hidden" role="status">{traced && phase === "check" ? `Traced. ${traced.recording}` : ""}</p>
              {loose.map((slip) => <p key={slip.problem} class="problem" role="alert">{slip.problem}</p>)}
              {phase === "place" && (
                <>
                  <Straighten pic={pic} corners={corners} setCorners={setCorners} again={(how) => void again(how)} arrangements={arrangements} />
                  <Offered arrangements={arrangements} pics={pics} current={current} straightened={Boolean(pic.shown.straight)} lay={lay} gone={(one) => void discard(one)} />
                  <div class="row"><h2 class="grow">Panels</h2><span class="small quiet">{sure} of {doc.panels.length} confirmed</span></div>
                  {!doc.panels.length && !pic.shown.aslant && <p>No panel is proposed. Add one, or note numbers alone.</p>}
                  <PanelList doc={doc} chosen={chosen} choose={setChosen} change={change} form={form} slips={slips} pick={() => setTool("colour")} />
                  <div class="row">
                    <button onClick={() => add()}>Add a panel <kbd>a</kbd></button>
                    <button aria-pressed={tool === "add"} onClick={() => setTool(tool === "add" ? "move" : "add")}>Draw one on the picture</button>
                    {doc.panels.length > 1 && <button onClick={confirmAll} disabled={sure === doc.panels.length}>All panels are right</button>}
                  </div>
                  <details class="fold"><summary>Keep this arrangement</summary>
                    <div class="stack small"><p>Panels and marks are kept as an axes.toml of yours, beside the cases, and offered for the next picture.</p>
                      <div class="row"><label for="arrangement">Its name</label><input id="arrangement" class="grow" value={name} maxLength={60} onInput={(event) => setName(event.currentTarget.value)} /><button onClick={() => void keep()} disabled={!name.trim()}>Keep it</button></div></div>
                  </details>
                  <button class="main" onClick={() => setPhase("check")} disabled={!doc.panels.length}>Trace the curves <kbd>t</kbd></button>
                </>
              )}
              {phase === "check" && (
                <>
                  {slips.some((slip) => slip.panel > 0 || slip.field === "panels") && (
                    <div class="problem" role="alert"><p>Not traced yet:</p><ul>{slips.filter((slip) => slip.panel > 0 || slip.field === "panels").map((slip) => <li key={`${slip.panel}${slip.field}`}>{slip.panel ? `Panel ${slip.panel}: ` : ""}{slip.problem}</li>)}</ul><button onClick={() => setPhase("place")}>Back to the panels</button></div>
                  )}
                  <Check traced={traced} doc={doc} change={change} tool={tool} take={take1} shown={shown} show={setShown} names={(id) => `panel ${1 + doc.panels.findIndex((one) => one.id === id)}`} />
                </>
              )}
              {phase !== "case" && (
                <details class="fold" open={Object.keys(pic.observed).length > 0 || undefined}><summary>Numbers on this picture</summary>
                  <div class="stack small"><p>Typed in as they stand there; kept beside what is measured, never mixed with it.</p>
                    <Noted fields={form.observed.fields} values={pic.observed} slips={slips.filter((slip) => slip.panel === 0)} known={known} put={(key, text) => replace(current, { observed: { ...pic.observed, [key]: text } })} />
                    <div class="field"><label for="pic-at">When it was taken{pic.shown.taken ? ", as its file says" : ""}</label><input id="pic-at" type="datetime-local" step="1" value={pic.at} onInput={(event) => replace(current, { at: event.currentTarget.value })} /></div></div>
                </details>
              )}
              {phase === "check" && <button class="main" onClick={() => setPhase("case")} disabled={!traced}>Go on: make the case</button>}
              {phase === "case" && (
                <form class="stack" onSubmit={(event) => void make(event)} noValidate>
                  {asked.slips.length > 0 && <div class="problem" role="alert">{asked.slips.map((slip) => <p key={slip.problem}>{slip.problem}</p>)}</div>}
                  {asked.doubts.map((doubt) => <div class="problem row" role="alert" key={doubt}><span class="grow">{doubt}</span><label class="row"><input type="checkbox" checked={meant.includes(doubt)} onChange={(event) => setMeant(event.currentTarget.checked ? [...meant, doubt] : meant.filter((one) => one !== doubt))} /> It is meant so</label></div>)}
                  <div class="field"><label for="pic-title">What it is about, in a few words; no names</label><input id="pic-title" value={title} maxLength={200} onInput={(event) => setTitle(event.currentTarget.value)} /></div>
                  <div class="field"><label for="pic-notes">Notes</label><textarea id="pic-notes" rows={2} value={notes} maxLength={4000} onInput={(event) => setNotes(event.currentTarget.value)} /></div>
                  {pics.length > 1 && <p class="small">{pics.length} pictures become one case, in the order of when they were taken: each needs its moment.</p>}
                  {pics.length > 1 && pics.map((one, i) => <div class="field" key={one.token}><label for={`pic-at-${i}`}>{one.file}, taken</label><input id={`pic-at-${i}`} type="datetime-local" step="1" value={one.at} onInput={(event) => replace(i, { at: event.currentTarget.value })} /></div>)}
                  <details class="fold" open={asked.slips.length > 0 || undefined}><summary>What else is known</summary><FormFields sections={form.about} answers={answers} slips={asked.slips} put={(table, one, text) => setAnswers((now) => ({ ...now, [table]: { ...now[table], [one]: text } }))} commit={() => undefined} set={setAnswers} /></details>
                  <label class="row small"><input type="checkbox" checked={whole} onChange={(event) => setWhole(event.currentTarget.checked)} /> <span class="grow">Keep the whole {pics.length > 1 ? "pictures" : "picture"} in the case, with what lies outside the panels</span></label>
                  <button class="main" disabled={Boolean(work)}>Make the case and review it</button>
                </form>
              )}
            </div>
          </aside>
        </div>
      )}
    </>
  );
}

function DropPictures({ taken }: { taken: (files: File[]) => void }) {
  const [over, setOver] = useState(false);
  return (
    <div class={over ? "drop over narrow" : "drop narrow"} onDragOver={(event) => (event.preventDefault(), setOver(true))} onDragLeave={() => setOver(false)}
      onDrop={(event) => {
        event.preventDefault();
        setOver(false);
        const files = picturesIn(event.dataTransfer?.files);
        if (files.length) taken(files);
        else say("That is no picture: PNG, JPEG, BMP, WebP, TIFF, HEIC, GIF or PDF.");
      }}>
      <label for="pictures-in">Drag pictures here, or choose some: </label>
      <input id="pictures-in" type="file" multiple accept={endingsOfPictures} onChange={(event) => taken(picturesIn(event.currentTarget.files))} />
      <p class="small quiet">PNG, BMP, JPEG, WebP, TIFF, HEIC or a page of a PDF; up to 64 MiB and 60 megapixels each. They stay on this machine.</p>
    </div>
  );
}

interface StraightenProps {
  pic: Pic;
  corners: Point[] | null;
  setCorners: (points: Point[] | null) => void;
  again: (how: { page?: number; find?: boolean; corners?: Point[]; size?: Size }) => void;
  arrangements: Arrangement[];
}

/** Photographs and slanting scans: four corners of what is a rectangle in truth. */
function Straighten({ pic, corners, setCorners, again, arrangements }: StraightenProps) {
  const [wide, tall] = pic.shown.original;
  const size = arrangements.find((one) => one.straight)?.straight as Size | undefined;
  const by = () => {
    if (pic.shown.straight) return again({});
    setCorners([[0.12, 0.12], [0.88, 0.12], [0.88, 0.88], [0.12, 0.88]].map(([x, y]) => [Math.round(x! * wide), Math.round(y! * tall)]));
  };
  const turn = () => {
    const at = pic.shown.straight?.corners ?? [[0, 0], [wide - 1, 0], [wide - 1, tall - 1], [0, tall - 1]];
    again({ corners: [at[3], at[0], at[1], at[2]] as Point[], size: [pic.shown.size[1]!, pic.shown.size[0]!] });
  };
  return (
    <>
      {pic.shown.pages > 1 && <div class="row small"><label for="pic-page">Page</label><input id="pic-page" type="number" min={1} max={pic.shown.pages} value={pic.page} style={{ width: "5rem" }} onChange={(event) => again({ page: event.currentTarget.valueAsNumber || 1 })} /> of {pic.shown.pages}</div>}
      {pic.shown.aslant && <p class="problem" role="alert">A screen or sheet is seen aslant in this picture: no panel's rows are rows of its pixels, so none is proposed. Look for the screen below, or put four corners.</p>}
      <details class="fold" open={Boolean(corners) || pic.shown.aslant || undefined}>
        <summary>A photograph, or a slanting scan</summary>
        <div class="stack small">
          <p>{pic.shown.straight ? "It was straightened by four corners." : "Straighten it first: by four corners of something that is a rectangle in truth, such as the screen's edge."}</p>
          <div class="row">
            {!pic.shown.straight && <button onClick={() => again({ find: true, ...(size ? { size } : {}) })}>Look for the screen</button>}
            {!corners && <button onClick={turn}>Turn it a quarter</button>}
            {!corners && <button onClick={by}>{pic.shown.straight ? "As it was taken" : "Put four corners"}</button>}
            {corners && <><button class="main" onClick={() => again({ corners, ...(size ? { size } : {}) })}>Straighten by these corners</button><button onClick={() => setCorners(null)}>Leave it</button></>}
          </div>
        </div>
      </details>
    </>
  );
}

interface OfferedProps {
  arrangements: Arrangement[];
  pics: Pic[];
  current: number;
  straightened: boolean;
  lay: (panels: PanelSaid[], words: string) => void;
  gone: (name: string) => void;
}

/** Arrangements that are kept, and those of the other pictures: laid on this one with one click. */
function Offered({ arrangements, pics, current, straightened, lay, gone }: OfferedProps) {
  const others = pics.filter((one, i) => i !== current && one.history.now.panels.some((panel) => panel.quantity) && String(one.shown.size) === String(pics[current]!.shown.size));
  if (!arrangements.length && !others.length) return null;
  return (
    <section class="stack small" aria-labelledby="offered">
      <h2 id="offered">Use an arrangement</h2>
      {others.slice(0, 3).map((one) => <div class="row" key={one.token}><span class="grow">The panels of {one.file}</span><button onClick={() => lay(panelsSaid(one.history.now), `Panels of ${one.file} are laid on.`)}>Use them</button></div>)}
      {arrangements.map((one) => {
        const unlike = !["same", "scaled"].includes(one.fits) ? one.fits : one.straight && !straightened ? "it is of a straightened picture: straighten this one first" : "";
        return (
          <div class="row" key={one.name}>
            <span class="grow"><strong>{one.name}</strong>{one.fits === "scaled" && " (moved to this picture's size)"}{unlike && <span class="quiet"> does not fit: {unlike}</span>}</span>
            {!unlike && <button onClick={() => lay(one.panels as PanelSaid[], `“${one.name}” is laid on.`)} aria-label={`Use it: ${one.name}`}>Use it</button>}
            <a class="button" href={`/api/arrangements/${encodeURIComponent(one.name)}/axes.toml`} download aria-label={`${one.name} as axes.toml`}>axes.toml</a>
            <button class="plain" aria-label={`Take ${one.name} away`} onClick={() => gone(one.name)}>×</button>
          </div>
        );
      })}
    </section>
  );
}
