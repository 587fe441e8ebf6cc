package app.lidmark;

import android.Manifest;
import android.app.AlertDialog;
import android.app.NativeActivity;
import android.content.ActivityNotFoundException;
import android.content.BroadcastReceiver;
import android.content.ClipData;
import android.content.Context;
import android.content.Intent;
import android.content.IntentFilter;
import android.content.pm.PackageManager;
import android.content.res.Configuration;
import android.database.Cursor;
import android.hardware.GeomagneticField;
import android.hardware.Sensor;
import android.hardware.SensorEvent;
import android.hardware.SensorEventListener;
import android.hardware.SensorManager;
import android.location.Location;
import android.location.LocationListener;
import android.location.LocationManager;
import android.net.Uri;
import android.os.Bundle;
import android.os.Vibrator;
import android.provider.MediaStore;
import android.provider.OpenableColumns;
import android.view.WindowManager;
import java.io.File;
import java.io.FileInputStream;
import java.io.FileOutputStream;
import java.io.IOException;
import java.io.InputStream;
import java.io.OutputStream;

/**
 * What the app asks of the phone, and what the phone answers.
 *
 * Everything here is a thin wrapper: the app decides, in Rust, what to ask for and what an answer means.
 * Methods without "native" are called from Rust on any thread; the others call into Rust.
 */
public final class LidmarkActivity extends NativeActivity implements LocationListener, SensorEventListener {
    private static final int ASK_POSITION = 1;
    private static final int TAKE_PICTURE = 2;
    private static final int PICK_FILE = 3;
    private static final int SAVE_FILE = 4;
    /** The largest file taken in from another app, bytes: a day file with a thousand photos is smaller. */
    private static final long LARGEST_FILE = 4L * 1024 * 1024 * 1024;
    private static final String PENDING_PICTURE = "app.lidmark.picture";
    private static final String PENDING_FOLDER = "app.lidmark.folder";
    private static final String PENDING_FILE = "app.lidmark.file";
    /** The system's question for the position has been put once. */
    private static final String ASKED = "position_asked";

    static {
        System.loadLibrary("lidmark");
    }

    private String pendingPicture;
    private String pendingFolder;
    private String pendingFile;
    private boolean wantsPosition;
    private boolean wantsHeading;
    /** The position was refused since the app was started: it is not asked for again at every stop. */
    private boolean refused;
    /** How far magnetic north lies from true north here, degrees; 0 until a position is known. */
    private float declination;
    private final BroadcastReceiver clock = new BroadcastReceiver() {
        @Override
        public void onReceive(Context context, Intent intent) {
            onClockChanged();
        }
    };

    // ---- into Rust ---------------------------------------------------------------------------------------------------

    private static native void onPosition(
            double latitude, double longitude, float accuracy, float speed, float course, long millis);

    private static native void onHeading(float degrees);

    private static native void onPermission(boolean granted);

    private static native void onPicture(String path, boolean taken);

    private static native void onFile(String path, String problem);

    private static native void onSaved(boolean saved, String problem);

    private static native void onRefused(String what);

    private static native void onClockChanged();

    private static native void onTextScale(float scale);

    // ---- life --------------------------------------------------------------------------------------------------------

    @Override
    protected void onCreate(Bundle state) {
        // The camera may need so much memory that this app is ended while a picture is taken: what was asked for is
        // in the saved state, and the picture itself is a file in the app's own folder.
        if (state != null) {
            pendingPicture = state.getString(PENDING_PICTURE);
            pendingFolder = state.getString(PENDING_FOLDER);
            pendingFile = state.getString(PENDING_FILE);
        }
        super.onCreate(state);
        IntentFilter changes = new IntentFilter(Intent.ACTION_TIME_CHANGED);
        changes.addAction(Intent.ACTION_TIMEZONE_CHANGED);
        changes.addAction(Intent.ACTION_DATE_CHANGED);
        registerReceiver(clock, changes);
    }

    @Override
    protected void onDestroy() {
        unregisterReceiver(clock);
        super.onDestroy();
    }

    @Override
    public void onConfigurationChanged(Configuration changed) {
        super.onConfigurationChanged(changed);
        onTextScale(changed.fontScale);
    }

    /** How large the person wants text, as a factor of the usual size. */
    public float textScale() {
        return getResources().getConfiguration().fontScale;
    }

    /** Leaves for whatever was there before; the app stays as it is. */
    public void leave() {
        runOnUiThread(() -> moveTaskToBack(true));
    }

    @Override
    protected void onSaveInstanceState(Bundle state) {
        super.onSaveInstanceState(state);
        state.putString(PENDING_PICTURE, pendingPicture);
        state.putString(PENDING_FOLDER, pendingFolder);
        state.putString(PENDING_FILE, pendingFile);
    }

    @Override
    protected void onResume() {
        super.onResume();
        if (wantsPosition) {
            if (mayKnowPosition()) {
                listenForPosition();
            } else {
                // It was given only once, or taken away while the app was out of sight.
                refuse();
            }
        }
        if (wantsHeading) {
            listenForHeading();
        }
    }

    @Override
    protected void onPause() {
        // A phone in a pocket finds no tank and saves its battery.
        locations().removeUpdates(this);
        sensors().unregisterListener(this);
        super.onPause();
    }

    // ---- position ----------------------------------------------------------------------------------------------------

    /**
     * Starts to report positions. Where that is not permitted yet, the reason is said first and then the system asks; once
     * refused, it is left at that until the app is started again.
     */
    public void startPosition() {
        runOnUiThread(() -> {
            wantsPosition = true;
            if (mayKnowPosition()) {
                listenForPosition();
                return;
            }
            if (refused) {
                return;
            }
            String[] wanted = {
                Manifest.permission.ACCESS_FINE_LOCATION, Manifest.permission.ACCESS_COARSE_LOCATION,
            };
            boolean asked = getPreferences(MODE_PRIVATE).getBoolean(ASKED, false);
            if (asked && !shouldShowRequestPermissionRationale(Manifest.permission.ACCESS_FINE_LOCATION)) {
                // Refused for good: the system answers by itself, and a reason with no question after it only confuses.
                requestPermissions(wanted, ASK_POSITION);
                return;
            }
            new AlertDialog.Builder(this)
                    .setMessage(R.string.why_position)
                    .setPositiveButton(R.string.go_on, (dialog, which) -> {
                        getPreferences(MODE_PRIVATE).edit().putBoolean(ASKED, true).apply();
                        requestPermissions(wanted, ASK_POSITION);
                    })
                    .setNegativeButton(R.string.not_now, (dialog, which) -> refuse())
                    .setOnCancelListener(dialog -> refuse())
                    .show();
        });
    }

    private void refuse() {
        if (!refused) {
            refused = true;
            onPermission(false);
        }
    }

    /** Stops to report positions. */
    public void stopPosition() {
        runOnUiThread(() -> {
            wantsPosition = false;
            locations().removeUpdates(this);
        });
    }

    @Override
    public void onRequestPermissionsResult(int request, String[] permissions, int[] results) {
        // An empty answer means that the question was cut off, by a call for example: it is asked again at the next Find.
        if (request == ASK_POSITION && results.length > 0) {
            if (mayKnowPosition()) {
                onPermission(true);
                if (wantsPosition) {
                    listenForPosition();
                }
            } else {
                refuse();
            }
        }
    }

    private boolean mayKnowPosition() {
        return checkSelfPermission(Manifest.permission.ACCESS_FINE_LOCATION) == PackageManager.PERMISSION_GRANTED
                || checkSelfPermission(Manifest.permission.ACCESS_COARSE_LOCATION)
                        == PackageManager.PERMISSION_GRANTED;
    }

    private void listenForPosition() {
        refused = false;
        try {
            boolean any = false;
            for (String provider : new String[] {LocationManager.GPS_PROVIDER, LocationManager.NETWORK_PROVIDER}) {
                if (locations().getAllProviders().contains(provider)) {
                    locations().requestLocationUpdates(provider, 1000, 0, this);
                    any |= locations().isProviderEnabled(provider);
                }
            }
            if (!any) {
                onRefused("position_off");
            }
        } catch (SecurityException revoked) {
            // Taken away in the settings while the app was open.
            refuse();
        }
    }

    @Override
    public void onLocationChanged(Location at) {
        declination = new GeomagneticField(
                        (float) at.getLatitude(), (float) at.getLongitude(), (float) at.getAltitude(), at.getTime())
                .getDeclination();
        onPosition(
                at.getLatitude(),
                at.getLongitude(),
                at.hasAccuracy() ? at.getAccuracy() : Float.NaN,
                at.hasSpeed() ? at.getSpeed() : Float.NaN,
                at.hasBearing() ? at.getBearing() : Float.NaN,
                at.getTime());
    }

    @Override
    public void onStatusChanged(String provider, int status, Bundle extras) {}

    @Override
    public void onProviderEnabled(String provider) {}

    @Override
    public void onProviderDisabled(String provider) {
        if (LocationManager.GPS_PROVIDER.equals(provider)) {
            onRefused("position_off");
        }
    }

    private LocationManager locations() {
        return (LocationManager) getSystemService(Context.LOCATION_SERVICE);
    }

    // ---- compass -----------------------------------------------------------------------------------------------------

    /** Starts to report where the top of the screen points. */
    public void startHeading() {
        runOnUiThread(() -> {
            wantsHeading = true;
            listenForHeading();
        });
    }

    /** Stops to report where the phone points. */
    public void stopHeading() {
        runOnUiThread(() -> {
            wantsHeading = false;
            sensors().unregisterListener(this);
        });
    }

    private void listenForHeading() {
        Sensor sensor = sensors().getDefaultSensor(Sensor.TYPE_ROTATION_VECTOR);
        if (sensor == null) {
            onRefused("no_compass");
            return;
        }
        sensors().registerListener(this, sensor, SensorManager.SENSOR_DELAY_UI);
    }

    @Override
    @SuppressWarnings("deprecation") // The newer way to the display needs API 30 and says the same.
    public void onSensorChanged(SensorEvent event) {
        float[] matrix = new float[9];
        float[] angles = new float[3];
        SensorManager.getRotationMatrixFromVector(matrix, event.values);
        SensorManager.getOrientation(matrix, angles);
        // The sensor knows the top of the phone and magnetic north; what counts is the top of the screen and true north.
        float turned = 90 * getWindowManager().getDefaultDisplay().getRotation();
        onHeading((float) Math.toDegrees(angles[0]) + turned + declination);
    }

    @Override
    public void onAccuracyChanged(Sensor sensor, int accuracy) {}

    private SensorManager sensors() {
        return (SensorManager) getSystemService(Context.SENSOR_SERVICE);
    }

    // ---- pictures and files ------------------------------------------------------------------------------------------

    /** Takes a full-size picture into the app's own file at path. */
    public void takePicture(String path) {
        runOnUiThread(() -> {
            pendingPicture = path;
            Uri uri = LidmarkFiles.share(this, new File(path));
            Intent intent = new Intent(MediaStore.ACTION_IMAGE_CAPTURE);
            intent.putExtra(MediaStore.EXTRA_OUTPUT, uri);
            intent.setClipData(ClipData.newRawUri("", uri));
            intent.addFlags(Intent.FLAG_GRANT_WRITE_URI_PERMISSION | Intent.FLAG_GRANT_READ_URI_PERMISSION);
            start(intent, TAKE_PICTURE, "no_camera");
        });
    }

    /** Lets the person choose a file, which is copied into folder. */
    public void pickFile(String folder, String type) {
        runOnUiThread(() -> {
            pendingFolder = folder;
            Intent intent = new Intent(Intent.ACTION_OPEN_DOCUMENT);
            intent.addCategory(Intent.CATEGORY_OPENABLE);
            intent.setType(type);
            start(intent, PICK_FILE, "no_file_chooser");
        });
    }

    /** Hands a file to another app through the system's sheet. */
    public void shareFile(String path, String type) {
        runOnUiThread(() -> {
            Uri uri = LidmarkFiles.share(this, new File(path));
            Intent intent = new Intent(Intent.ACTION_SEND);
            intent.setType(type);
            intent.putExtra(Intent.EXTRA_STREAM, uri);
            intent.setClipData(ClipData.newRawUri("", uri));
            intent.addFlags(Intent.FLAG_GRANT_READ_URI_PERMISSION);
            start(Intent.createChooser(intent, null), 0, "nothing_to_share_with");
        });
    }

    /** Saves a file where the person says. */
    public void saveFile(String path, String type, String name) {
        runOnUiThread(() -> {
            pendingFile = path;
            Intent intent = new Intent(Intent.ACTION_CREATE_DOCUMENT);
            intent.addCategory(Intent.CATEGORY_OPENABLE);
            intent.setType(type);
            intent.putExtra(Intent.EXTRA_TITLE, name);
            start(intent, SAVE_FILE, "no_file_chooser");
        });
    }

    @Override
    protected void onActivityResult(int request, int result, Intent data) {
        boolean done = result == RESULT_OK;
        if (request == TAKE_PICTURE && pendingPicture != null) {
            onPicture(pendingPicture, done && new File(pendingPicture).length() > 0);
            pendingPicture = null;
        } else if (request == PICK_FILE && done && data != null && pendingFolder != null) {
            Uri from = data.getData();
            String folder = pendingFolder;
            pendingFolder = null;
            new Thread(() -> takeIn(from, new File(folder))).start();
        } else if (request == SAVE_FILE && done && data != null && pendingFile != null) {
            Uri to = data.getData();
            String file = pendingFile;
            pendingFile = null;
            new Thread(() -> giveOut(new File(file), to)).start();
        }
    }

    private void takeIn(Uri from, File folder) {
        File to = new File(folder, nameOf(from));
        File part = new File(folder, to.getName() + ".part");
        try (InputStream in = getContentResolver().openInputStream(from);
                FileOutputStream out = new FileOutputStream(part)) {
            copy(in, out);
            out.getFD().sync();
        } catch (IOException | RuntimeException problem) {
            // Another app's provider may fail in its own ways.
            part.delete();
            onFile("", String.valueOf(problem.getMessage()));
            return;
        }
        if (part.renameTo(to)) {
            onFile(to.getPath(), "");
        } else {
            onFile("", "rename");
        }
    }

    private void giveOut(File file, Uri to) {
        try (InputStream in = new FileInputStream(file);
                // "wt": a longer file that is written over must not keep its end.
                OutputStream out = getContentResolver().openOutputStream(to, "wt")) {
            copy(in, out);
            out.flush();
        } catch (IOException | RuntimeException problem) {
            onSaved(false, String.valueOf(problem.getMessage()));
            return;
        }
        // Only when it is closed has the other app taken it.
        onSaved(true, "");
    }

    private static void copy(InputStream in, OutputStream out) throws IOException {
        if (in == null || out == null) {
            throw new IOException("the other app gave nothing");
        }
        byte[] buffer = new byte[64 * 1024];
        long total = 0;
        for (int read = in.read(buffer); read >= 0; read = in.read(buffer)) {
            total += read;
            if (total > LARGEST_FILE) {
                throw new IOException("the file is larger than 4 GB");
            }
            out.write(buffer, 0, read);
        }
    }

    /** A name from another app is only ever one plain name: no folder, nothing hidden. */
    private String nameOf(Uri uri) {
        String name = null;
        try (Cursor row = getContentResolver()
                .query(uri, new String[] {OpenableColumns.DISPLAY_NAME}, null, null, null)) {
            if (row != null && row.moveToFirst()) {
                name = row.getString(0);
            }
        } catch (RuntimeException refused) {
            // Another app's provider may fail in its own ways; the file is read all the same, under our own name.
            name = null;
        }
        String plain = name == null ? "" : name.replaceAll("[^A-Za-z0-9._-]", "_").replaceAll("^[.]+", "");
        return plain.isEmpty() ? "file" : plain;
    }

    // ---- small things ------------------------------------------------------------------------------------------------

    /** A short buzz: a tap was kept. */
    @SuppressWarnings("deprecation") // The newer call needs API 26 and does the same here.
    public void buzz(int millis) {
        Vibrator vibrator = (Vibrator) getSystemService(Context.VIBRATOR_SERVICE);
        if (vibrator != null && vibrator.hasVibrator()) {
            vibrator.vibrate(millis);
        }
    }

    /** Keeps the screen on while a stop is open. */
    public void keepScreenOn(boolean on) {
        runOnUiThread(() -> {
            if (on) {
                getWindow().addFlags(WindowManager.LayoutParams.FLAG_KEEP_SCREEN_ON);
            } else {
                getWindow().clearFlags(WindowManager.LayoutParams.FLAG_KEEP_SCREEN_ON);
            }
        });
    }

    /** Opens a place in whatever map app there is; without a position (NaN) the map app looks the label up. */
    public void openMap(double latitude, double longitude, String label) {
        String at = latitude + "," + longitude;
        Uri uri =
                Double.isNaN(latitude) || Double.isNaN(longitude)
                        ? Uri.parse("geo:0,0?q=" + Uri.encode(label))
                        : Uri.parse("geo:" + at + "?q=" + at + "(" + Uri.encode(label) + ")");
        runOnUiThread(() -> start(new Intent(Intent.ACTION_VIEW, uri), 0, "no_map"));
    }

    /** Opens the dialler with a number; the person presses call. */
    public void dial(String number) {
        Uri uri = Uri.fromParts("tel", number, null);
        runOnUiThread(() -> start(new Intent(Intent.ACTION_DIAL, uri), 0, "no_telephone"));
    }

    private void start(Intent intent, int request, String refused) {
        try {
            if (request == 0) {
                startActivity(intent);
            } else {
                startActivityForResult(intent, request);
            }
        } catch (ActivityNotFoundException | SecurityException none) {
            onRefused(refused);
        }
    }
}
