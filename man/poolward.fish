# Print an optspec for argparse to handle cmd's options that are independent of any subcommand.
function __fish_poolward_global_optspecs
    string join \n folder= json quiet h/help V/version
end

function __fish_poolward_needs_command
    # Figure out if the current invocation already has a command.
    set -l cmd (commandline -opc)
    set -e cmd[1]
    argparse -s (__fish_poolward_global_optspecs) -- $cmd 2>/dev/null
    or return
    if set -q argv[1]
        # Also print the command, so this can be used to figure out what it is.
        echo $argv[1]
        return 1
    end
    return 0
end

function __fish_poolward_using_subcommand
    set -l cmd (__fish_poolward_needs_command)
    test -z "$cmd"
    and return 1
    contains -- $cmd[1] $argv
end

complete -c poolward -n "__fish_poolward_needs_command" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_needs_command" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_needs_command" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_needs_command" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_needs_command" -s V -l version -d 'Print version'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "begin" -d 'Make a move folder with a commented move.toml'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "scan" -d 'Index the sources and say what is there'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "survey" -d 'Years, kinds, projects, sizes and hazards of the last scan'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "probe" -d 'Measure the real paths in under a minute: rates, cost of a file, what they keep'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "pool" -d 'Compare pool layouts and say what fits and when it fills'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "plan" -d 'Datasets, batches, order and schedule'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "forecast" -d 'The same plan under other conditions, side by side'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "copy" -d 'Copy batches, go on with them, repair them'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "verify" -d 'Read the destination back from disk and compare'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "run" -d 'Carry the schedule out until it is done: copy, read back, scan again, wait'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "hold" -d 'Pause batches and let them go on'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "status" -d 'Where the move stands and when it will be done'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "release" -d 'Check whether the source of a batch may be deleted, and write the sheet'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "report" -d 'Write the page, the calendar, the tables and the manifests'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "adopt" -d 'Take over files that were copied by other means'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "waybill" -d 'Write what another machine needs to copy, read back or hash a batch: one sealed file each'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "carry" -d 'Do the work of a waybill on the machine that has the disks, and write the receipt'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "absorb" -d 'Check the receipts of other machines and enter them'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "fixity" -d 'Months later: read what was released again, against the ledger or a proof file alone'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "demo" -d 'Build a small invented archive and take it through the whole move'
complete -c poolward -n "__fish_poolward_needs_command" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c poolward -n "__fish_poolward_using_subcommand begin" -l from -d 'A folder to move from; may be given several times' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand begin" -l to -d 'The folder to move to; it may not exist yet if its parent does' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand begin" -l link -d 'Speed of the link between the ends' -r
complete -c poolward -n "__fish_poolward_using_subcommand begin" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand begin" -l allow-root-disk -d 'Accept a destination on the disk the system runs from'
complete -c poolward -n "__fish_poolward_using_subcommand begin" -l recover -d 'Take back the copy of the ledger kept at the destination; with --to, the settings too'
complete -c poolward -n "__fish_poolward_using_subcommand begin" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand begin" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand begin" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand scan" -l threads -d 'Threads; by default by the kind of the mount' -r
complete -c poolward -n "__fish_poolward_using_subcommand scan" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand scan" -l gentle -d 'One entry at a time, for spinning disks'
complete -c poolward -n "__fish_poolward_using_subcommand scan" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand scan" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand scan" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand survey" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand survey" -l twins -d 'Read files of equal size and say which have identical content; a stopped run goes on'
complete -c poolward -n "__fish_poolward_using_subcommand survey" -l questions -d 'Print only the questions, as lines to paste into move.toml'
complete -c poolward -n "__fish_poolward_using_subcommand survey" -l hazards -d 'Print every hazard with its examples'
complete -c poolward -n "__fish_poolward_using_subcommand survey" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand survey" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand survey" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c poolward -n "__fish_poolward_using_subcommand probe" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand probe" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand probe" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand probe" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand pool" -l disks -d 'Disks at hand' -r
complete -c poolward -n "__fish_poolward_using_subcommand pool" -l disk-size -d 'Size of one disk, or of several: 8 x 14 TB, 4 x 12 TB' -r
complete -c poolward -n "__fish_poolward_using_subcommand pool" -l layout -d 'A layout: vdevs x width level, spares behind a plus' -r
complete -c poolward -n "__fish_poolward_using_subcommand pool" -l ashift -d 'Sector size as a power of two' -r
complete -c poolward -n "__fish_poolward_using_subcommand pool" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand pool" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand pool" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand pool" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand plan" -l why -d 'Explain where one project went' -r
complete -c poolward -n "__fish_poolward_using_subcommand plan" -l set -d 'Write a tag for one project into move.toml, then plan' -r
complete -c poolward -n "__fish_poolward_using_subcommand plan" -l files -d 'Print one batch\'s files, each ended by a NUL' -r
complete -c poolward -n "__fish_poolward_using_subcommand plan" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand plan" -l accept -d 'Write a plan that differs although something has begun. A project or folder that got another name at the source gets it at the destination too, by a rename, 0 bytes sent: where inode numbers tell it is the same one, its dataset stays, and all in it is as it was placed. A file that got another name or another folder there follows in the same way, within its batch; one that was edited, has several names, or is in doubt comes as a later file. `scan` and `plan` tell what would be renamed; `copy`, `verify` and `release` go on with a rename that was cut short'
complete -c poolward -n "__fish_poolward_using_subcommand plan" -l datasets -d 'Print the commands that create the datasets'
complete -c poolward -n "__fish_poolward_using_subcommand plan" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand plan" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand plan" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand forecast" -l link -d 'Another link speed; may be given several times' -r
complete -c poolward -n "__fish_poolward_using_subcommand forecast" -l windows -d 'Other hours, like \'mon-fri 19:00-07:00; sat,sun 00:00-24:00\' or \'always\'' -r
complete -c poolward -n "__fish_poolward_using_subcommand forecast" -l runs-on -d 'Another place to run: pool, source or between' -r
complete -c poolward -n "__fish_poolward_using_subcommand forecast" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand forecast" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand forecast" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand forecast" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand copy" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand copy" -l all -d 'All batches that are not copied yet, and those with files that failed or differ'
complete -c poolward -n "__fish_poolward_using_subcommand copy" -l in-windows -d 'Only while a window of move.toml is open, at its rate limit; waits for the next'
complete -c poolward -n "__fish_poolward_using_subcommand copy" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand copy" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand copy" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand verify" -l sample -d 'Read only so many files, drawn by lot; nothing becomes verified by that' -r
complete -c poolward -n "__fish_poolward_using_subcommand verify" -l confidence -d 'Draw as many files as it takes to be this sure, like 99%, of less than --rate' -r
complete -c poolward -n "__fish_poolward_using_subcommand verify" -l rate -d 'The share of bad files to be ruled out, like 0.1%' -r
complete -c poolward -n "__fish_poolward_using_subcommand verify" -l seed -d 'Draw the files that an earlier sample with this number drew' -r
complete -c poolward -n "__fish_poolward_using_subcommand verify" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand verify" -l all -d 'All batches that are copied'
complete -c poolward -n "__fish_poolward_using_subcommand verify" -l again -d 'Read again what was verified before'
complete -c poolward -n "__fish_poolward_using_subcommand verify" -l sha256 -d 'Also take the SHA-256 of every file in the same read, for a second manifest'
complete -c poolward -n "__fish_poolward_using_subcommand verify" -l twice-at-source -d 'Then read the source once more, past its cache, and hold it against what was copied'
complete -c poolward -n "__fish_poolward_using_subcommand verify" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand verify" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand verify" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand run" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand run" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand run" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand run" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand hold" -l until -d 'Until a time, like "2027-02-03 07:00" or 07:00, in the zone of move.toml, or 2027-02-03T07:00:00+01:00' -r
complete -c poolward -n "__fish_poolward_using_subcommand hold" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand hold" -l everything -d 'Everything'
complete -c poolward -n "__fish_poolward_using_subcommand hold" -l off -d 'Let it go on; a batch named whose waybill is out is taken back, and its receipt refused'
complete -c poolward -n "__fish_poolward_using_subcommand hold" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand hold" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand hold" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand status" -l confirm -d 'Say that the old share is frozen, or that its old name leads to the new tree' -r -f -a "frozen\t''
alias\t''"
complete -c poolward -n "__fish_poolward_using_subcommand status" -l serve -d 'Serve the page of `report` to browsers until Ctrl-C, made anew from the ledger: at an address like `127.0.0.1:8137` or `[::1]:0`, or at a port of this machine alone; port 0 takes a free one. /status.json beside it is the object of `status --json`, /schedule.ics the calendar' -r
complete -c poolward -n "__fish_poolward_using_subcommand status" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand status" -l watch -d 'Show it again every few seconds until Ctrl-C; once where there is no terminal'
complete -c poolward -n "__fish_poolward_using_subcommand status" -l left-behind -d 'List what was not moved, with its code'
complete -c poolward -n "__fish_poolward_using_subcommand status" -l exposed -d 'What exists only on the old box, by year, and how it shrinks'
complete -c poolward -n "__fish_poolward_using_subcommand status" -l cutover -d 'The check list for switching over, and for letting the old box go'
complete -c poolward -n "__fish_poolward_using_subcommand status" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand status" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand status" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c poolward -n "__fish_poolward_using_subcommand release" -l accept -d 'Accept what was left behind under a code' -r
complete -c poolward -n "__fish_poolward_using_subcommand release" -l restored -d 'Record a restore test: files brought back to this path' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand release" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand release" -l remove -d 'Set the released source aside; after hold-days, remove it for good. The batch\'s name is asked for each time, from the terminal or as a line on standard input'
complete -c poolward -n "__fish_poolward_using_subcommand release" -l undo -d 'Bring back what is set aside; where nothing is, take the sign-off back, so that the batch can be read back and mended while its source is there'
complete -c poolward -n "__fish_poolward_using_subcommand release" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand release" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand release" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand report" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand report" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand report" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand report" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand adopt" -l at -d 'The folder that holds the batch\'s projects, where it is not the planned one' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand adopt" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand adopt" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand adopt" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand adopt" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand waybill" -l task -d 'What is to be done: copy, verify, hash-source; by default what the batch needs next' -r -f -a "copy\t''
verify\t''
hash-source\t''"
complete -c poolward -n "__fish_poolward_using_subcommand waybill" -l out -d 'The folder to write to; by default waybills/ in the move folder' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand waybill" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand waybill" -l all -d 'Every batch that is not done, and a job-array script for a scheduler'
complete -c poolward -n "__fish_poolward_using_subcommand waybill" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand waybill" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand waybill" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c poolward -n "__fish_poolward_using_subcommand carry" -l source -d 'Where the source lies on this machine; it is opened for reading only' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand carry" -l destination -d 'Where the destination lies on this machine, as move.toml names it: its datasets lie below' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand carry" -l out -d 'The receipt, or a folder for it; by default beside the waybill. A work folder is made beside it, on a disk of this machine; once the receipt is absorbed it can be removed' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand carry" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand carry" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand carry" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand carry" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand absorb" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand absorb" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand absorb" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand absorb" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c poolward -n "__fish_poolward_using_subcommand fixity" -l proof -d 'Read against a proof file alone, without ledger and move folder. How far a round is lies beside it in FILE.fixity until the round ends, or in the folder given by --folder. A proof names no ranges, and what it does not name cannot be told to be uninvited' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand fixity" -l percent -d 'Read only this share of a round: 5 a night reads everything once in 20, bytes and files weighed, what was unread longest first. A run that was interrupted goes on with its share; without a share the round is read to its end' -r
complete -c poolward -n "__fish_poolward_using_subcommand fixity" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand fixity" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand fixity" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand fixity" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand demo" -l folder -d 'The move folder; by default the nearest one upwards that holds a move.toml' -r -F
complete -c poolward -n "__fish_poolward_using_subcommand demo" -l json -d 'Print exactly one JSON object'
complete -c poolward -n "__fish_poolward_using_subcommand demo" -l quiet -d 'Print nothing but errors and what was asked for'
complete -c poolward -n "__fish_poolward_using_subcommand demo" -s h -l help -d 'Print help'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "begin" -d 'Make a move folder with a commented move.toml'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "scan" -d 'Index the sources and say what is there'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "survey" -d 'Years, kinds, projects, sizes and hazards of the last scan'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "probe" -d 'Measure the real paths in under a minute: rates, cost of a file, what they keep'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "pool" -d 'Compare pool layouts and say what fits and when it fills'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "plan" -d 'Datasets, batches, order and schedule'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "forecast" -d 'The same plan under other conditions, side by side'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "copy" -d 'Copy batches, go on with them, repair them'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "verify" -d 'Read the destination back from disk and compare'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "run" -d 'Carry the schedule out until it is done: copy, read back, scan again, wait'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "hold" -d 'Pause batches and let them go on'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "status" -d 'Where the move stands and when it will be done'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "release" -d 'Check whether the source of a batch may be deleted, and write the sheet'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "report" -d 'Write the page, the calendar, the tables and the manifests'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "adopt" -d 'Take over files that were copied by other means'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "waybill" -d 'Write what another machine needs to copy, read back or hash a batch: one sealed file each'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "carry" -d 'Do the work of a waybill on the machine that has the disks, and write the receipt'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "absorb" -d 'Check the receipts of other machines and enter them'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "fixity" -d 'Months later: read what was released again, against the ledger or a proof file alone'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "demo" -d 'Build a small invented archive and take it through the whole move'
complete -c poolward -n "__fish_poolward_using_subcommand help; and not __fish_seen_subcommand_from begin scan survey probe pool plan forecast copy verify run hold status release report adopt waybill carry absorb fixity demo help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
