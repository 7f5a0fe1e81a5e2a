import "uplot/dist/uPlot.min.css";
import "./style.css";

import { render } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";

import { get, Refused, send, type About } from "./api";
import { CaseRoom } from "./case";
import { Casebook } from "./casebook";
import { KeySheet } from "./keysheet";
import { later } from "./later";
import { useKeys } from "./keys";
import { Lock } from "./lock";
import { Notices, say } from "./notices";
import { go, usePlace, withForm } from "./place";
import { apply, choose, chosen, type Choice } from "./theme";

apply();

// Rooms that are not entered first come when they are: a case is drawn sooner without them.
const AboutRoom = later(() => import("./about").then((part) => part.AboutRoom));
const AlarmsRoom = later(() => import("./alarms").then((part) => part.AlarmsRoom));
const BenchRoom = later(() => import("./bench").then((part) => part.BenchRoom));
const ClassRoom = later(() => import("./classlearner").then((part) => part.ClassRoom));
const CardsRoom = later(() => import("./cards").then((part) => part.CardsRoom));
const LessonsRoom = later(() => import("./lessons").then((part) => part.LessonsRoom));
const LogsRoom = later(() => import("./logs").then((part) => part.LogsRoom));
const NewCase = later(() => import("./newcase").then((part) => part.NewCase));
const PicturesRoom = later(() => import("./pictures").then((part) => part.PicturesRoom));
const Room = later(() => import("./room").then((part) => part.Room));
const TeachRoom = later(() => import("./teach").then((part) => part.TeachRoom));
const WhatIfRoom = later(() => import("./whatif").then((part) => part.WhatIfRoom));

const HEADINGS = {
  casebook: "Casebook", new: "New case", pictures: "Pictures", case: "Case", whatif: "What if", prepare: "Prepare", gases: "Gases", wean: "Weaning",
  logs: "Logs", alarms: "Alarms", handover: "Handover", cards: "Cards", bench: "Live bench", lessons: "Lessons", teach: "Class", class: "Class", about: "About",
};
const ROOMS = ["casebook", "new", "pictures", "bench", "lessons", "prepare", "gases", "wean", "logs", "alarms", "handover", "cards", "about"] as const;

function Page() {
  const place = usePlace();
  const [about, setAbout] = useState<About | null>(null);
  const [locked, setLocked] = useState(false);
  const [sheet, setSheet] = useState(false);

  const begin = async () => {
    try {
      const told = await get<About>("/about");
      if (told.locked && !byLink) await get("/case-form");
      setAbout(told);
      setLocked(false);
    } catch (error) {
      if (error instanceof Refused && error.status === 401) setLocked(true);
      else say(error instanceof Error ? error.message : String(error));
    }
  };
  const byLink = place.room === "class"; // a learner of a class comes by its link alone
  useEffect(() => void begin(), [byLink]);
  const leave = async () => {
    try {
      await send("DELETE", "/session");
      window.location.reload(); // nothing of a case stays in the page
    } catch (error) {
      say((error as Error).message);
    }
  };
  const entered = useRef(false);
  useEffect(() => {
    if (entered.current) document.querySelector<HTMLElement>("main")?.focus({ preventScroll: true }); // a reader's cursor comes along
    entered.current = true;
  }, [place.room, place.name]);
  useEffect(() => {
    document.title = `${place.name ? place.name : HEADINGS[place.room]} · Tidebench`;
  }, [place.room, place.name]);

  useKeys(
    [
      { keys: ["?"], group: "Everywhere", words: "This sheet", act: () => setSheet(true) },
      { keys: ["g"], group: "Everywhere", words: "Go to the casebook", act: () => go({ room: "casebook" }) },
    ],
    [],
  );

  if (locked) return <Lock begun={begin} />;
  return (
    <>
      <a class="hidden" href="#main" onClick={(event) => (event.preventDefault(), document.querySelector<HTMLElement>("main")?.focus())}>
        To the contents
      </a>
      <header class="top">
        <a class="mark" href="#/">
          <img src="/icon.svg" alt="" /> Tidebench
        </a>
        {byLink ? <span class="grow" /> : <nav aria-label="Rooms" class="row grow">
          {ROOMS.map((room) => <a key={room} href={room === "casebook" ? "#/" : `#/${room}`} aria-current={place.room === room || (room === "lessons" && place.room === "teach") ? "page" : undefined}>{HEADINGS[room]}</a>)}
        </nav>}
        <ThemeChoice />
        {about?.locked && !byLink && <button onClick={() => void leave()}>Leave</button>}
        <button onClick={() => setSheet(true)}>Keys <kbd>?</kbd></button>
      </header>
      {about && <p class="caution" role="note">{about.caution}</p>}
      <main id="main" tabIndex={-1}>
        {place.room === "casebook" && <Casebook />}
        {place.room === "new" && <NewCase />}
        {place.room === "pictures" && <PicturesRoom />}
        {place.room === "case" && <CaseRoom key={place.name} name={place.name} />}
        {place.room === "whatif" && <WhatIfRoom key={place.name} name={place.name} />}
        {withForm(place.room) && <Room key={`${place.room}/${place.name}`} room={place.room} name={place.name} />}
        {place.room === "logs" && <LogsRoom key={place.name} name={place.name} />}
        {place.room === "alarms" && <AlarmsRoom key={place.name} name={place.name} />}
        {place.room === "cards" && <CardsRoom />}
        {place.room === "bench" && <BenchRoom />}
        {place.room === "lessons" && <LessonsRoom key={place.name} name={place.name} />}
        {place.room === "teach" && <TeachRoom key={place.name} link={place.name} />}
        {place.room === "class" && <ClassRoom key={place.name} link={place.name} />}
        {place.room === "about" && about && <AboutRoom about={about} />}
      </main>
      {sheet && <KeySheet close={() => setSheet(false)} />}
      <Notices />
    </>
  );
}

function ThemeChoice() {
  const [now, set] = useState<Choice>(chosen);
  return (
    <label class="row small">
      Look
      <select
        value={now}
        onChange={(event) => {
          const choice = event.currentTarget.value as Choice;
          set(choice);
          choose(choice);
        }}
      >
        <option value="system">as the system</option>
        <option value="light">light</option>
        <option value="dark">dark</option>
      </select>
    </label>
  );
}

render(<Page />, document.getElementById("page")!);
