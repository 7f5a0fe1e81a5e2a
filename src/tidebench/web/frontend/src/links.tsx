// From a case to the rooms that can be asked about it.
const ROOMS = [["gases", "Gases"], ["wean", "Weaning"], ["handover", "Handover"], ["prepare", "Set-up"], ["logs", "Log"]] as const;

export function CaseLinks({ name, recorded }: { name: string; recorded: boolean }) {
  const rooms = recorded ? [...ROOMS, ["alarms", "Alarms"] as const] : ROOMS;
  return (
    <nav aria-label="Of this case" class="row">
      {rooms.map(([room, words]) => <a key={room} href={`#/${room}/${encodeURIComponent(name)}`}>{words}</a>)}
    </nav>
  );
}
