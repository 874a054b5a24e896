"""Talk full of the words of callouts that is for nobody's log; all of it invented."""

from __future__ import annotations

UNLISTED = tuple(
    (
        "metformin warfarin lisinopril simvastatin amoxicillin omeprazole levothyroxine "
        "gabapentin sertraline fluoxetine codeine tramadol methadone melatonin penicillin cortisone "
        "theophylline lithium tetracycline quinine caffeine vitamins antihistamines antibiotics"
    ).split()
)
"""Drugs outside the formulary, by generic name: to be written as said, and never as a drug of the list."""
TEMPLATES = tuple(
    line.strip()
    for line in """
no <drug> given
no <drug> was given
not the <drug>
we have no <drug> left
did anybody give <drug>
did you already push the <drug>
who gave the <drug>
how much <drug> did you give
how much <drug> is left in the bag
should we think about <drug>
can you draw up <drug> for me
could you hand me the <drug>
where did you put the <drug>
please get the <drug> ready
let us wait with the <drug>
hold the <drug> for now
he is allergic to <drug>
she is not allergic to <drug>
she had <drug> once and it made her sick
he takes <other> and <drug> at home
he takes <other> every morning
she stopped taking her <other> last week
her doctor changed the <other> to something else
<other> <amount> twice a day
<other> <amount>
took two <other> last night
ran out of <other> on monday
is there any <other> in the house
his wife says he forgot the <other>
we may need <drug> <amount>
we will give <drug> <amount> if it gets worse
then we would go to <drug> <amount>
the order is for <drug> <amount>
i thought you said <drug>
did you say <drug> or <other>
was that <drug> <amount>
repeat that was it <amount>
the <drug> is not in here
the <drug> is in the second drawer
that <drug> has expired
the last dose of <drug> was an hour ago
do not give any more <drug>
keep the <drug> away from the light
the pressure was <number> this morning
his usual pressure is <number> over <small>
her sugar was <number> an hour ago
is the pulse still <number>
what was the heart rate
what is the oxygen saturation now
can you count the respirations
tell me when the pressure is below <number>
call me when the heart rate is over <number>
aim for a saturation above ninety
i want the end tidal around forty
the alarm is set at <number>
his mother weighs <number> pounds
the house number is <number>
it is <number> main street
we are <small> minutes out
we will be there in <small> minutes
that was <small> minutes ago
he is <small> years old i think
she lives on the <small> floor
unit <small> go ahead
there are <small> people in the room
we need <small> more minutes
give me <small> seconds
is the oral airway in the bag
where is the nasal airway
should we put in an airway
get the bag valve mask out
is the tube still in place
can you hear breath sounds
do you hear anything on the left
watch his chest rise
keep squeezing the bag
one breath every six seconds
you are breathing too fast
open his mouth and look
is the suction working
turn the suction on
try the other arm
i can not find a vein
is that line still running
hang another bag when this one is empty
hook up the monitor please
what does the monitor show
is that a rhythm
charge it and clear
nobody touch the patient
stop compressions for a moment
switch places after this round
who is doing compressions next
does he respond to anything
squeeze my hand
are his pupils the same
show me where it hurts
on a scale from zero to ten
is the pain better now
did he hit his head
did he bite his tongue
how long did the seizure last
his skin feels cold to me
he looks pale
call the hospital and tell them
write that down for me
what time was that
what time is it
log that later
can you confirm the address
i can not confirm that
that is not correct
that is the wrong patient
cancel the second unit
is the scene safe
are the police here yet
bring the stretcher to the door
mind the step
we go on three one two three
one two three lift
""".splitlines()
    if line.strip()
)
"""Lines with slots: ``<drug>`` of the formulary, ``<other>`` of UNLISTED, ``<amount>``, ``<number>``, ``<small>``."""
